// One row of a surface, laid over samples. operation: 0 surface alone, 1 add, 2 subtract, 3 multiply, 4 divide.
import { floatA, loadA, putO, storeO } from "./planes.as";

@inline function apply(a: v128, s: v128, operation: i32): v128 {
  return operation == 2 ? f32x4.sub(a, s) : operation == 1 ? f32x4.add(a, s) : operation == 3 ? f32x4.mul(a, s) : f32x4.div(a, s);
}
@inline function applyOne(a: f32, s: f32, operation: i32): f32 {
  return operation == 2 ? a - s : operation == 1 ? a + s : operation == 3 ? a * s : a / s;
}

// Polynomial of degree 4 in u = u0 + x du.
export function polynomialRow(
  a: usize, o: usize, w: i32, u0: f32, du: f32, c0: f32, c1: f32, c2: f32, c3: f32, c4: f32, operation: i32,
): void {
  const k0 = f32x4.splat(c0), k1 = f32x4.splat(c1), k2 = f32x4.splat(c2), k3 = f32x4.splat(c3), k4 = f32x4.splat(c4);
  const start = f32x4.splat(u0), step = f32x4.splat(du), four = f32x4.splat(4);
  let xs = f32x4(0, 1, 2, 3), x = 0;
  for (; x + 4 <= w; x += 4) {
    const u = f32x4.add(start, f32x4.mul(xs, step));
    const s = f32x4.add(k0, f32x4.mul(u, f32x4.add(k1, f32x4.mul(u, f32x4.add(k2, f32x4.mul(u, f32x4.add(k3, f32x4.mul(u, k4))))))));
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

// Cubic pieces between nodes: piece k holds pixels ends[k − 1] … ends[k], its polynomial in t = t0 + i · dt, 5 floats a piece
// (c0, c1, c2, c3, t0) in scratch, then the ends as integers.
export function piecesRow(a: usize, o: usize, w: i32, pieces: usize, ends: usize, count: i32, dt: f32, operation: i32): void {
  const step = f32x4.splat(dt), four = f32x4.splat(4);
  let x = 0;
  for (let k = 0; k < count; k++, pieces += 20) {
    const end = load<i32>(ends + (<usize>k << 2));
    const c0 = load<f32>(pieces), c1 = load<f32>(pieces, 4), c2 = load<f32>(pieces, 8), c3 = load<f32>(pieces, 12), t0 = load<f32>(pieces, 16);
    const k0 = f32x4.splat(c0), k1 = f32x4.splat(c1), k2 = f32x4.splat(c2), k3 = f32x4.splat(c3), start = f32x4.splat(t0);
    let xs = f32x4(0, 1, 2, 3), i = 0;
    for (; x + 4 <= end; x += 4, i += 4) {
      const t = f32x4.add(start, f32x4.mul(xs, step));
      const s = f32x4.add(k0, f32x4.mul(t, f32x4.add(k1, f32x4.mul(t, f32x4.add(k2, f32x4.mul(t, k3))))));
      storeO(o, operation == 0 ? s : apply(loadA(a), s, operation));
      xs = f32x4.add(xs, four);
      a += 16; o += 16;
    }
    for (; x < end; x++, i++) {
      const t = t0 + <f32>i * dt;
      const s = c0 + t * (c1 + t * (c2 + t * c3));
      putO(o, operation == 0 ? s : applyOne(floatA(a), s, operation));
      a += 4; o += 4;
    }
  }
}
