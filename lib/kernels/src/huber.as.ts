// Huber's outlier test with one verdict a sample. Each pixel's result depends on its own samples only; the order of
// every float32 operation is that of the twin in rejection.ts.
import { loadA, loadA16, putO, putP } from "./planes.as";

@inline function middle3(a: v128, b: v128, c: v128): v128 {
  return f32x4.max(f32x4.min(a, b), f32x4.min(f32x4.max(a, b), c));
}
@inline function present(a: v128): v128 {
  return f32x4.eq(a, a);
}
function firstPresent(c: v128, p: usize, end: usize, stride: usize): v128 {
  for (; p < end && !i32x4.all_true(present(c)); p += stride) c = v128.bitselect(c, loadA(p), present(c));
  return v128.and(c, present(c));
}
@inline function limitsOf(k: v128, limits: usize): v128 {
  let v = f32x4.splat(load<f32>(limits + (<usize>i32x4.extract_lane(k, 0) << 2)));
  v = f32x4.replace_lane(v, 1, load<f32>(limits + (<usize>i32x4.extract_lane(k, 1) << 2)));
  v = f32x4.replace_lane(v, 2, load<f32>(limits + (<usize>i32x4.extract_lane(k, 2) << 2)));
  return f32x4.replace_lane(v, 3, load<f32>(limits + (<usize>i32x4.extract_lane(k, 3) << 2)));
}
@inline function fewest(f: v128): v128 {
  const half = f32x4.ceil(f32x4.mul(f, f32x4.splat(0.5)));
  return v128.bitselect(half, f32x4.max(f32x4.splat(3), half), f32x4.lt(f, f32x4.splat(4)));
}

// Strips of n frames in A, `stride` bytes apart; verdict bytes in O, `stride` / 4 apart; in P the location of a pixel
// that would keep too few samples, else NaN. `limits` are n + 1 floats by number of samples.
export function huberTest(
  a: usize, n: i32, stride: usize, pixels: i32, limits: usize, floor: f32, o: usize, p: usize,
): void {
  const zero = f32x4.splat(0);
  const one = f32x4.splat(1);
  const inf = f32x4.splat(<f32>Infinity);
  const least = f32x4.splat(floor);
  const consistency = f32x4.splat(0.7784652161);
  const near = f32x4.splat(5e-4);
  const corner = f32x4.splat(1.5);
  const slack = f32x4.splat(6e-8);
  const all = <usize>n * stride;
  const mid = <usize>(n >> 1) * stride;
  const last = <usize>(n - 1) * stride;
  for (let i = 0; i < pixels; i += 8) {
    const p0 = a + (<usize>i << 2);
    const end = p0 + all;
    let c0 = middle3(loadA(p0), loadA(p0 + mid), loadA(p0 + last));
    let c1 = middle3(loadA16(p0), loadA16(p0 + mid), loadA16(p0 + last));
    if (!i32x4.all_true(present(c0))) c0 = firstPresent(c0, p0, end, stride);
    if (!i32x4.all_true(present(c1))) c1 = firstPresent(c1, p0 + 16, end + 16, stride);
    let k0 = zero;
    let k1 = zero;
    let s0 = zero;
    let s1 = zero;
    let q0 = zero;
    let q1 = zero;
    for (let q = p0; q < end; q += stride) {
      const d0 = f32x4.sub(loadA(q), c0);
      const d1 = f32x4.sub(loadA16(q), c1);
      const g0 = present(d0);
      const g1 = present(d1);
      k0 = i32x4.sub(k0, g0); k1 = i32x4.sub(k1, g1);
      s0 = f32x4.add(s0, v128.and(d0, g0)); s1 = f32x4.add(s1, v128.and(d1, g1));
    }
    const f0 = f32x4.convert_i32x4_s(k0);
    const f1 = f32x4.convert_i32x4_s(k1);
    const n0 = f32x4.max(one, f0);
    const n1 = f32x4.max(one, f1);
    const e0 = f32x4.max(one, f32x4.sub(f0, one));
    const e1 = f32x4.max(one, f32x4.sub(f1, one));
    let m0 = f32x4.div(s0, n0);
    let m1 = f32x4.div(s1, n1);
    for (let q = p0; q < end; q += stride) {
      let d0 = f32x4.sub(f32x4.sub(loadA(q), c0), m0);
      let d1 = f32x4.sub(f32x4.sub(loadA16(q), c1), m1);
      d0 = v128.and(d0, present(d0)); d1 = v128.and(d1, present(d1));
      q0 = f32x4.add(q0, f32x4.mul(d0, d0)); q1 = f32x4.add(q1, f32x4.mul(d1, d1));
    }
    let t0 = f32x4.max(least, f32x4.sqrt(f32x4.div(q0, e0)));
    let t1 = f32x4.max(least, f32x4.sqrt(f32x4.div(q1, e1)));
    const limit0 = limitsOf(k0, limits);
    const limit1 = limitsOf(k1, limits);
    let done0 = v128.or(f32x4.eq(limit0, zero), f32x4.eq(t0, zero));
    let done1 = v128.or(f32x4.eq(limit1, zero), f32x4.eq(t1, zero));
    for (let round = 0; round < 60; round++) {
      if (i32x4.all_true(done0) && i32x4.all_true(done1)) break;
      const h0 = f32x4.mul(corner, t0);
      const h1 = f32x4.mul(corner, t1);
      const l0 = f32x4.neg(h0);
      const l1 = f32x4.neg(h1);
      s0 = zero; s1 = zero; q0 = zero; q1 = zero;
      for (let q = p0; q < end; q += stride) {
        let d0 = f32x4.sub(f32x4.sub(loadA(q), c0), m0);
        let d1 = f32x4.sub(f32x4.sub(loadA16(q), c1), m1);
        d0 = v128.and(f32x4.max(l0, f32x4.min(h0, d0)), present(d0));
        d1 = v128.and(f32x4.max(l1, f32x4.min(h1, d1)), present(d1));
        s0 = f32x4.add(s0, d0); s1 = f32x4.add(s1, d1);
        q0 = f32x4.add(q0, f32x4.mul(d0, d0)); q1 = f32x4.add(q1, f32x4.mul(d1, d1));
      }
      const step0 = f32x4.div(s0, n0);
      const step1 = f32x4.div(s1, n1);
      const v0 = f32x4.max(zero, f32x4.sub(q0, f32x4.mul(f0, f32x4.mul(step0, step0))));
      const v1 = f32x4.max(zero, f32x4.sub(q1, f32x4.mul(f1, f32x4.mul(step1, step1))));
      const next0 = f32x4.max(least, f32x4.sqrt(f32x4.div(f32x4.div(v0, e0), consistency)));
      const next1 = f32x4.max(least, f32x4.sqrt(f32x4.div(f32x4.div(v1, e1), consistency)));
      const w0 = f32x4.mul(near, next0);
      const w1 = f32x4.mul(near, next1);
      const still0 = v128.and(f32x4.le(f32x4.abs(step0), w0), f32x4.le(f32x4.abs(f32x4.sub(next0, t0)), w0));
      const still1 = v128.and(f32x4.le(f32x4.abs(step1), w1), f32x4.le(f32x4.abs(f32x4.sub(next1, t1)), w1));
      m0 = v128.bitselect(m0, f32x4.add(m0, step0), done0); m1 = v128.bitselect(m1, f32x4.add(m1, step1), done1);
      t0 = v128.bitselect(t0, next0, done0); t1 = v128.bitselect(t1, next1, done1);
      done0 = v128.or(done0, v128.or(still0, f32x4.eq(next0, zero)));
      done1 = v128.or(done1, v128.or(still1, f32x4.eq(next1, zero)));
    }
    const a0 = f32x4.abs(f32x4.add(c0, m0));
    const a1 = f32x4.abs(f32x4.add(c1, m1));
    const r0 = v128.bitselect(inf, f32x4.add(f32x4.mul(limit0, t0), f32x4.mul(a0, slack)), f32x4.eq(limit0, zero));
    const r1 = v128.bitselect(inf, f32x4.add(f32x4.mul(limit1, t1), f32x4.mul(a1, slack)), f32x4.eq(limit1, zero));
    const low0 = f32x4.sub(m0, r0);
    const low1 = f32x4.sub(m1, r1);
    const high0 = f32x4.add(m0, r0);
    const high1 = f32x4.add(m1, r1);
    k0 = zero; k1 = zero;
    let v = o + <usize>i;
    const bit1 = i32x4.splat(1);
    const bit2 = i32x4.splat(2);
    const bit3 = i32x4.splat(3);
    for (let q = p0; q < end; q += stride, v += stride >> 2) {
      const d0 = f32x4.sub(loadA(q), c0);
      const d1 = f32x4.sub(loadA16(q), c1);
      const x0 = v128.or(v128.or(v128.and(f32x4.lt(d0, low0), bit1), v128.and(f32x4.gt(d0, high0), bit2)),
        v128.andnot(bit3, present(d0)));
      const x1 = v128.or(v128.or(v128.and(f32x4.lt(d1, low1), bit1), v128.and(f32x4.gt(d1, high1), bit2)),
        v128.andnot(bit3, present(d1)));
      k0 = i32x4.sub(k0, i32x4.eq(x0, zero)); k1 = i32x4.sub(k1, i32x4.eq(x1, zero));
      const narrow = i16x8.narrow_i32x4_u(x0, x1);
      const bytes = i8x16.narrow_i16x8_u(narrow, narrow);
      putO(v, reinterpret<f32>(i32x4.extract_lane(bytes, 0)));
      putO(v + 4, reinterpret<f32>(i32x4.extract_lane(bytes, 1)));
    }
    const few0 = f32x4.lt(f32x4.convert_i32x4_s(k0), fewest(f0));
    const few1 = f32x4.lt(f32x4.convert_i32x4_s(k1), fewest(f1));
    const nan = f32x4.splat(<f32>NaN);
    const z0 = v128.bitselect(f32x4.add(c0, m0), nan, few0);
    const z1 = v128.bitselect(f32x4.add(c1, m1), nan, few1);
    const w = p + (<usize>i << 2);
    putP(w, f32x4.extract_lane(z0, 0)); putP(w + 4, f32x4.extract_lane(z0, 1));
    putP(w + 8, f32x4.extract_lane(z0, 2)); putP(w + 12, f32x4.extract_lane(z0, 3));
    putP(w + 16, f32x4.extract_lane(z1, 0)); putP(w + 20, f32x4.extract_lane(z1, 1));
    putP(w + 24, f32x4.extract_lane(z1, 2)); putP(w + 28, f32x4.extract_lane(z1, 3));
  }
}
