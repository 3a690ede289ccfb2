// Surfaces applied to samples, row by row. operation: 0 surface alone, 1 add, 2 subtract, 3 multiply, 4 divide; a loop
// for each.
import { floatA, loadA, loadA16, loadA32, loadA48, putO, storeO, storeO16, storeO32, storeO48 } from "./planes.as";

@inline function apply(a: v128, s: v128, operation: i32): v128 {
  if (operation == 2) return f32x4.sub(a, s);
  if (operation == 1) return f32x4.add(a, s);
  return operation == 3 ? f32x4.mul(a, s) : f32x4.div(a, s);
}
@inline function applyOne(a: f32, s: f32, operation: i32): f32 {
  return operation == 2 ? a - s : operation == 1 ? a + s : operation == 3 ? a * s : a / s;
}

let k0: v128 = f32x4.splat(0);
let k1: v128 = f32x4.splat(0);
let k2: v128 = f32x4.splat(0);
let k3: v128 = f32x4.splat(0);
let k4: v128 = f32x4.splat(0);
let c0: f32 = 0;
let c1: f32 = 0;
let c2: f32 = 0;
let c3: f32 = 0;
let c4: f32 = 0;

// Coefficients in u of row y of a polynomial of `order` + 1 orders, in float64 from the table of terms.
function rowCoefficients(terms: usize, order: i32, centreY: f64, radius: f64, y: i32): void {
  const v = (<f64>y - centreY) / radius;
  let r0: f64 = 0;
  let r1: f64 = 0;
  let r2: f64 = 0;
  let r3: f64 = 0;
  let r4: f64 = 0;
  let at = terms;
  for (let n = 0; n <= order; n++) {
    let power: f64 = 1;
    for (let j = 0; j <= n; j++, at += 8, power *= v) {
      const part = load<f64>(at) * power;
      const k = n - j;
      if (k == 0) r0 += part;
      else if (k == 1) r1 += part;
      else if (k == 2) r2 += part;
      else if (k == 3) r3 += part;
      else r4 += part;
    }
  }
  c0 = <f32>r0; c1 = <f32>r1; c2 = <f32>r2; c3 = <f32>r3; c4 = <f32>r4;
  k0 = f32x4.splat(c0); k1 = f32x4.splat(c1); k2 = f32x4.splat(c2); k3 = f32x4.splat(c3); k4 = f32x4.splat(c4);
}

@inline function quartic(u: v128, q0: v128, q1: v128, q2: v128, q3: v128, q4: v128): v128 {
  const high = f32x4.add(q2, f32x4.mul(u, f32x4.add(q3, f32x4.mul(u, q4))));
  return f32x4.add(q0, f32x4.mul(u, f32x4.add(q1, f32x4.mul(u, high))));
}

@inline function polynomialRow(a: usize, o: usize, w: i32, u0: f32, du: f32, operation: i32): void {
  const q0 = k0;
  const q1 = k1;
  const q2 = k2;
  const q3 = k3;
  const q4 = k4;
  const start = f32x4.splat(u0);
  const step = f32x4.splat(du);
  const four = f32x4.splat(4);
  const eight = f32x4.splat(8);
  let xs = f32x4(0, 1, 2, 3);
  let ys = f32x4(4, 5, 6, 7);
  let x = 0;
  for (; x + 16 <= w; x += 16) {
    const s0 = quartic(f32x4.add(start, f32x4.mul(xs, step)), q0, q1, q2, q3, q4);
    const s1 = quartic(f32x4.add(start, f32x4.mul(ys, step)), q0, q1, q2, q3, q4);
    xs = f32x4.add(xs, eight); ys = f32x4.add(ys, eight);
    const s2 = quartic(f32x4.add(start, f32x4.mul(xs, step)), q0, q1, q2, q3, q4);
    const s3 = quartic(f32x4.add(start, f32x4.mul(ys, step)), q0, q1, q2, q3, q4);
    xs = f32x4.add(xs, eight); ys = f32x4.add(ys, eight);
    if (operation == 0) {
      storeO(o, s0); storeO16(o, s1); storeO32(o, s2); storeO48(o, s3);
    } else {
      storeO(o, apply(loadA(a), s0, operation));
      storeO16(o, apply(loadA16(a), s1, operation));
      storeO32(o, apply(loadA32(a), s2, operation));
      storeO48(o, apply(loadA48(a), s3, operation));
    }
    a += 64; o += 64;
  }
  for (; x + 4 <= w; x += 4) {
    const s = quartic(f32x4.add(start, f32x4.mul(xs, step)), q0, q1, q2, q3, q4);
    storeO(o, operation == 0 ? s : apply(loadA(a), s, operation));
    xs = f32x4.add(xs, four);
    a += 16; o += 16;
  }
  for (; x < w; x++) {
    const u = u0 + <f32>x * du;
    const s = c0 + u * (c1 + u * (c2 + u * (c3 + u * c4)));
    putO(o, operation == 0 ? s : applyOne(floatA(a), s, operation));
    a += 4; o += 4;
  }
}

// Polynomial of degree `order` in u = u0 + x du and v = (y − centreY) / radius over rows y0 … y1; terms as float64 in
// scratch.
export function polynomial(
  a: usize, o: usize, w: i32, y0: i32, y1: i32, u0: f32, du: f32, terms: usize, order: i32, centreY: f64, radius: f64,
  operation: i32,
): void {
  const row = <usize>w << 2;
  for (let y = y0; y < y1; y++, a += row, o += row) {
    rowCoefficients(terms, order, centreY, radius, y);
    if (operation == 0) polynomialRow(a, o, w, u0, du, 0);
    else if (operation == 1) polynomialRow(a, o, w, u0, du, 1);
    else if (operation == 2) polynomialRow(a, o, w, u0, du, 2);
    else if (operation == 3) polynomialRow(a, o, w, u0, du, 3);
    else polynomialRow(a, o, w, u0, du, 4);
  }
}

// Cubic pieces between nodes: piece k holds pixels ends[k − 1] … ends[k], its polynomial in t = t0 + i · dt, 5 floats
// a piece (c0, c1, c2, c3, t0) in scratch, then the ends as integers.
@inline function pieces(a: usize, o: usize, table: usize, ends: usize, count: i32, dt: f32, operation: i32): void {
  const step = f32x4.splat(dt);
  const four = f32x4.splat(4);
  let x = 0;
  for (let k = 0; k < count; k++, table += 20) {
    const end = load<i32>(ends + (<usize>k << 2));
    const c0 = load<f32>(table);
    const c1 = load<f32>(table, 4);
    const c2 = load<f32>(table, 8);
    const c3 = load<f32>(table, 12);
    const t0 = load<f32>(table, 16);
    const k0 = f32x4.splat(c0);
    const k1 = f32x4.splat(c1);
    const k2 = f32x4.splat(c2);
    const k3 = f32x4.splat(c3);
    const start = f32x4.splat(t0);
    let xs = f32x4(0, 1, 2, 3);
    let i = 0;
    for (; x + 8 <= end; x += 8, i += 8) {
      const t = f32x4.add(start, f32x4.mul(xs, step));
      xs = f32x4.add(xs, four);
      const r = f32x4.add(start, f32x4.mul(xs, step));
      xs = f32x4.add(xs, four);
      const s0 = f32x4.add(k0, f32x4.mul(t, f32x4.add(k1, f32x4.mul(t, f32x4.add(k2, f32x4.mul(t, k3))))));
      const s1 = f32x4.add(k0, f32x4.mul(r, f32x4.add(k1, f32x4.mul(r, f32x4.add(k2, f32x4.mul(r, k3))))));
      storeO(o, operation == 0 ? s0 : apply(loadA(a), s0, operation));
      storeO16(o, operation == 0 ? s1 : apply(loadA16(a), s1, operation));
      a += 32; o += 32;
    }
    for (; x < end; x++, i++) {
      const t = t0 + <f32>i * dt;
      const s = c0 + t * (c1 + t * (c2 + t * c3));
      putO(o, operation == 0 ? s : applyOne(floatA(a), s, operation));
      a += 4; o += 4;
    }
  }
}
export function piecesRow(a: usize, o: usize, table: usize, ends: usize, count: i32, dt: f32, operation: i32): void {
  if (operation == 0) pieces(a, o, table, ends, count, dt, 0);
  else if (operation == 1) pieces(a, o, table, ends, count, dt, 1);
  else if (operation == 2) pieces(a, o, table, ends, count, dt, 2);
  else if (operation == 3) pieces(a, o, table, ends, count, dt, 3);
  else pieces(a, o, table, ends, count, dt, 4);
}
