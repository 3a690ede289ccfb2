// Resampling: places of a tile's pixels in a source, and Lanczos-3 at such places. A place is an integer of 1/1024
// pixel, kept as the bits of a float; the smallest integer stands for a place outside the frame.
import { floatA, floatB, floatC, loadA, loadA16, loadB, loadC, putO, putP, storeO, storeP } from "./planes.as";

const nowhere: i32 = i32.MIN_VALUE;

@inline function inside(v: v128, most: f64): v128 {
  return v128.and(f64x2.ge(v, f64x2.splat(-1e-6)), f64x2.le(v, f64x2.splat(most + 1e-6)));
}
@inline function steps(v: v128, most: f64, first: f64): v128 {
  const held = f64x2.pmin(f64x2.pmax(v, f64x2.splat(0)), f64x2.splat(most));
  const nearest = f64x2.floor(f64x2.add(f64x2.mul(held, f64x2.splat(1024)), f64x2.splat(0.5)));
  return i32x4.trunc_sat_f64x2_s_zero(f64x2.sub(nearest, f64x2.splat(first)));
}
@inline function joined(low: v128, high: v128): v128 {
  return i8x16.shuffle(low, high, 0, 1, 2, 3, 4, 5, 6, 7, 16, 17, 18, 19, 20, 21, 22, 23);
}
@inline function firstOfPairs(low: v128, high: v128): v128 {
  return i8x16.shuffle(low, high, 0, 1, 2, 3, 8, 9, 10, 11, 16, 17, 18, 19, 24, 25, 26, 27);
}
@inline function secondOfPairs(low: v128, high: v128): v128 {
  return i8x16.shuffle(low, high, 4, 5, 6, 7, 12, 13, 14, 15, 20, 21, 22, 23, 28, 29, 30, 31);
}
@inline function lowHalves(low: v128, high: v128): v128 {
  return i8x16.shuffle(low, high, 0, 1, 2, 3, 4, 5, 6, 7, 16, 17, 18, 19, 20, 21, 22, 23);
}
@inline function highHalves(low: v128, high: v128): v128 {
  return i8x16.shuffle(low, high, 8, 9, 10, 11, 12, 13, 14, 15, 24, 25, 26, 27, 28, 29, 30, 31);
}

// Coordinates of a row in scratch, xs and ys, become places in O and P.
function placeRow(
  o: usize, p: usize, xs: usize, ys: usize, count: i32, right: f64, bottom: f64, left: f64, top: f64,
): void {
  const none = i32x4.splat(nowhere);
  for (let i = 0; i < count; i += 4, xs += 32, ys += 32, o += 16, p += 16) {
    const x0 = v128.load(xs);
    const x1 = v128.load(xs, 16);
    const y0 = v128.load(ys);
    const y1 = v128.load(ys, 16);
    const in0 = v128.and(inside(x0, right), inside(y0, bottom));
    const in1 = v128.and(inside(x1, right), inside(y1, bottom));
    const here = firstOfPairs(in0, in1);
    const px = v128.bitselect(joined(steps(x0, right, left), steps(x1, right, left)), none, here);
    const py = v128.bitselect(joined(steps(y0, bottom, top), steps(y1, bottom, top)), none, here);
    if (i + 4 <= count) {
      storeO(o, px);
      storeP(p, py);
      continue;
    }
    putO(o, f32x4.extract_lane(px, 0)); putP(p, f32x4.extract_lane(py, 0));
    if (i + 1 < count) { putO(o + 4, f32x4.extract_lane(px, 1)); putP(p + 4, f32x4.extract_lane(py, 1)); }
    if (i + 2 < count) { putO(o + 8, f32x4.extract_lane(px, 2)); putP(p + 8, f32x4.extract_lane(py, 2)); }
  }
}

// Places under a straight map, all rows of a tile: scratch holds two rows of coordinates. (x, y) of pixel (i, j) of
// the tile is (ox + (column + i) · scale, oy + (line + j) · scale).
export function placesAffine(
  o: usize, p: usize, scratch: usize, count: i32, rows: i32, column: f64, line: f64, ox: f64, oy: f64, scale: f64,
  m0: f64, m1: f64, m2: f64, m3: f64, m4: f64, m5: f64, right: f64, bottom: f64, left: f64, top: f64,
): void {
  const xs = scratch;
  const ys = scratch + (<usize>(count + 4) << 3);
  const width = <usize>count << 2;
  const two = f64x2.splat(2);
  for (let j = 0; j < rows; j++, o += width, p += width) {
    const y = oy + (line + <f64>j) * scale;
    const bx = f64x2.splat(m1 * y);
    const by = f64x2.splat(m4 * y);
    let k = f64x2.add(f64x2.splat(column), f64x2(0, 1));
    let at: usize = 0;
    for (let i = 0; i < count + 2; i += 2, at += 16) {
      const x = f64x2.add(f64x2.splat(ox), f64x2.mul(k, f64x2.splat(scale)));
      v128.store(xs + at, f64x2.add(f64x2.add(f64x2.mul(f64x2.splat(m0), x), bx), f64x2.splat(m2)));
      v128.store(ys + at, f64x2.add(f64x2.add(f64x2.mul(f64x2.splat(m3), x), by), f64x2.splat(m5)));
      k = f64x2.add(k, two);
    }
    placeRow(o, p, xs, ys, count, right, bottom, left, top);
  }
}

// Places of one row between exact coordinates at nodes 16 columns apart, x and y by turns, the first at column − skip.
export function placesBetween(
  o: usize, p: usize, nodes: usize, scratch: usize, count: i32, skip: i32, right: f64, bottom: f64, left: f64, top: f64,
): void {
  const xs = scratch;
  const ys = scratch + (<usize>(count + 4) << 3);
  let i = 0;
  let k = skip;
  for (; i < count; nodes += 16, k = 0) {
    const x = load<f64>(nodes);
    const y = load<f64>(nodes, 8);
    const dx = load<f64>(nodes, 16) - x;
    const dy = load<f64>(nodes, 24) - y;
    for (; k < 16 && i < count; k++, i++) {
      const t = <f64>k / 16;
      store<f64>(xs + (<usize>i << 3), x + t * dx);
      store<f64>(ys + (<usize>i << 3), y + t * dy);
    }
  }
  placeRow(o, p, xs, ys, count, right, bottom, left, top);
}

// At the edge the outermost sample is repeated; taps without data are left out and the others weighted up while they
// carry half of the weight.
function careful(a: usize, w: i32, h: i32, x0: i32, y0: i32, wx: usize, wy: usize): f32 {
  // The nearest sample decides whether there is data at all.
  let nx = x0 + 2 + (load<f32>(wx + 8) >= load<f32>(wx + 12) ? 0 : 1);
  let ny = y0 + 2 + (load<f32>(wy + 8) >= load<f32>(wy + 12) ? 0 : 1);
  nx = max(0, min(w - 1, nx));
  ny = max(0, min(h - 1, ny));
  const near = floatA(a + ((<usize>ny * w + nx) << 2));
  if (near != near) return <f32>NaN;
  let sum: f64 = 0;
  let weight: f64 = 0;
  for (let j = 0; j < 6; j++) {
    const y = max(0, min(h - 1, y0 + j));
    const k = <f64>load<f32>(wy + (<usize>j << 2));
    for (let i = 0; i < 6; i++) {
      const x = max(0, min(w - 1, x0 + i));
      const v = <f64>floatA(a + ((<usize>y * w + x) << 2));
      if (v != v) continue;
      const share = <f64>load<f32>(wx + (<usize>i << 2)) * k;
      sum += share * v;
      weight += share;
    }
  }
  return weight >= 0.5 ? <f32>(sum / weight) : <f32>NaN;
}

// Lower of the two rows round a place, of which lanes 2 and 3 are the samples left and right of it.
let corners: v128 = f32x4.splat(0);
// Four parts of the sum of 6 × 6 taps from p on.
@inline function parts(p: usize, row: usize, wx: usize, wy: usize): v128 {
  let k = v128.load32_splat(wy);
  let s = f32x4.mul(loadA(p), k);
  let t = f32x4.mul(loadA16(p), k);
  p += row; k = v128.load32_splat(wy, 4);
  s = f32x4.add(s, f32x4.mul(loadA(p), k)); t = f32x4.add(t, f32x4.mul(loadA16(p), k));
  p += row; k = v128.load32_splat(wy, 8);
  const above = loadA(p);
  s = f32x4.add(s, f32x4.mul(above, k)); t = f32x4.add(t, f32x4.mul(loadA16(p), k));
  p += row; k = v128.load32_splat(wy, 12);
  const below = loadA(p);
  s = f32x4.add(s, f32x4.mul(below, k)); t = f32x4.add(t, f32x4.mul(loadA16(p), k));
  p += row; k = v128.load32_splat(wy, 16);
  s = f32x4.add(s, f32x4.mul(loadA(p), k)); t = f32x4.add(t, f32x4.mul(loadA16(p), k));
  p += row; k = v128.load32_splat(wy, 20);
  s = f32x4.add(s, f32x4.mul(loadA(p), k)); t = f32x4.add(t, f32x4.mul(loadA16(p), k));
  corners = f32x4.pmin(above, below);
  return f32x4.add(f32x4.mul(s, v128.load(wx)), f32x4.mul(t, v128.load(wx, 16)));
}

// One pixel, wherever it lies.
function single(a: usize, w: i32, h: i32, px: i32, py: i32, table: usize, slack: f32): f32 {
  if (px == nowhere) return <f32>NaN;
  const x0 = (px >> 10) - 2;
  const y0 = (py >> 10) - 2;
  const row = <usize>w << 2;
  const wx = table + (<usize>(px & 1023) << 5);
  const wy = table + (<usize>(py & 1023) << 5);
  let r: f32 = <f32>NaN;
  if (x0 >= 0 && y0 >= 0 && x0 + 8 <= w && y0 + 6 <= h) {
    const s = parts(a + <usize>y0 * row + (<usize>x0 << 2), row, wx, wy);
    r = (f32x4.extract_lane(s, 0) + f32x4.extract_lane(s, 2)) + (f32x4.extract_lane(s, 1) + f32x4.extract_lane(s, 3));
    const left = f32x4.extract_lane(corners, 2);
    const right = f32x4.extract_lane(corners, 3);
    const low = (right < left ? right : left) - slack;
    if (r < low) r = low;
  }
  return r != r ? careful(a, w, h, x0, y0, wx, wy) : r;
}

// `rows` rows of `count` places in B and C; rows of O lie `pitch` bytes apart. A result may not fall below the lowest
// of the four samples round its place by more than `slack`.
export function warp(
  a: usize, w: i32, h: i32, b: usize, c: usize, o: usize, count: i32, rows: i32, pitch: usize, table: usize, slack: f32,
): void {
  const row = <usize>w << 2;
  const two = i32x4.splat(2);
  const xMost = i32x4.splat(w - 8);
  const yMost = i32x4.splat(h - 6);
  const loose = f32x4.splat(slack);
  const phase = i32x4.splat(1023);
  for (let j = 0; j < rows; j++, o += pitch) {
    let i = 0;
    let q = o;
    for (; i + 4 <= count; i += 4, b += 16, c += 16, q += 16) {
      const px = loadB(b);
      const py = loadC(c);
      const x0 = i32x4.sub(i32x4.shr_s(px, 10), two);
      const y0 = i32x4.sub(i32x4.shr_s(py, 10), two);
      // Unsigned: what lies left of or above the source, or nowhere, is large.
      if (i32x4.all_true(v128.and(i32x4.le_u(x0, xMost), i32x4.le_u(y0, yMost))) && w >= 8 && h >= 6) {
        const fx = v128.and(px, phase);
        const fy = v128.and(py, phase);
        const s0 = parts(a + <usize>i32x4.extract_lane(y0, 0) * row + (<usize>i32x4.extract_lane(x0, 0) << 2), row,
          table + (<usize>i32x4.extract_lane(fx, 0) << 5), table + (<usize>i32x4.extract_lane(fy, 0) << 5));
        const c0 = corners;
        const s1 = parts(a + <usize>i32x4.extract_lane(y0, 1) * row + (<usize>i32x4.extract_lane(x0, 1) << 2), row,
          table + (<usize>i32x4.extract_lane(fx, 1) << 5), table + (<usize>i32x4.extract_lane(fy, 1) << 5));
        const c1 = corners;
        const s2 = parts(a + <usize>i32x4.extract_lane(y0, 2) * row + (<usize>i32x4.extract_lane(x0, 2) << 2), row,
          table + (<usize>i32x4.extract_lane(fx, 2) << 5), table + (<usize>i32x4.extract_lane(fy, 2) << 5));
        const c2 = corners;
        const s3 = parts(a + <usize>i32x4.extract_lane(y0, 3) * row + (<usize>i32x4.extract_lane(x0, 3) << 2), row,
          table + (<usize>i32x4.extract_lane(fx, 3) << 5), table + (<usize>i32x4.extract_lane(fy, 3) << 5));
        const c3 = corners;
        const u = f32x4.add(lowHalves(s0, s1), highHalves(s0, s1));
        const v = f32x4.add(lowHalves(s2, s3), highHalves(s2, s3));
        const r = f32x4.add(firstOfPairs(u, v), secondOfPairs(u, v));
        if (i32x4.all_true(f32x4.eq(r, r))) {
          const d = highHalves(c0, c1);
          const e = highHalves(c2, c3);
          const low = f32x4.sub(f32x4.pmin(firstOfPairs(d, e), secondOfPairs(d, e)), loose);
          storeO(q, f32x4.pmax(r, low));
          continue;
        }
      }
      putO(q, single(a, w, h, i32x4.extract_lane(px, 0), i32x4.extract_lane(py, 0), table, slack));
      putO(q + 4, single(a, w, h, i32x4.extract_lane(px, 1), i32x4.extract_lane(py, 1), table, slack));
      putO(q + 8, single(a, w, h, i32x4.extract_lane(px, 2), i32x4.extract_lane(py, 2), table, slack));
      putO(q + 12, single(a, w, h, i32x4.extract_lane(px, 3), i32x4.extract_lane(py, 3), table, slack));
    }
    for (; i < count; i++, b += 4, c += 4, q += 4) {
      putO(q, single(a, w, h, reinterpret<i32>(floatB(b)), reinterpret<i32>(floatC(c)), table, slack));
    }
  }
}
