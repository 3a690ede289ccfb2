// Outlier test of stacks with a known noise: Huber's Proposal 2 whose variance is moderated by the known one, and
// verdicts about it. Each pixel's result depends on its own samples only; the order of every float32 operation is that
// of the twins in moderate.ts.
import { loadA, loadA16, loadB, loadB16, loadC, loadC16, putO, putP, storeO, storeO16 } from "./planes.as";

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
function limitsOf(k: v128, limits: usize): v128 {
  let v = f32x4.splat(load<f32>(limits + (<usize>i32x4.extract_lane(k, 0) << 2)));
  v = f32x4.replace_lane(v, 1, load<f32>(limits + (<usize>i32x4.extract_lane(k, 1) << 2)));
  v = f32x4.replace_lane(v, 2, load<f32>(limits + (<usize>i32x4.extract_lane(k, 2) << 2)));
  return f32x4.replace_lane(v, 3, load<f32>(limits + (<usize>i32x4.extract_lane(k, 3) << 2)));
}
@inline function known(base: v128, level: v128, centre: v128, perUnit: v128): v128 {
  return f32x4.pmax(base, f32x4.add(base, f32x4.mul(perUnit, f32x4.sub(centre, level))));
}

// A: strips of n frames, `stride` bytes apart. B: variance of a sample of sky, C: level of that sky. Scratch: for each
// frame 1 / its noise relative to the others' at `inverse`, limits by number of samples at `limits`. Results in O,
// planes of `plane` bytes: centre, limit · scale, error of the centre. Without prior the scale is the samples' own.
// Steps are 1.15 times what the mean of the held samples asks for, because 0.87 of Gaussian ones are not held: half
// the iterations.
export function moderated(
  a: usize, n: i32, stride: usize, pixels: i32, b: usize, c: usize, inverse: usize, limits: usize, perUnit: f32,
  prior: f32, o: usize, plane: usize,
): void {
  const zero = f32x4.splat(0);
  const one = f32x4.splat(1);
  const inf = f32x4.splat(<f32>Infinity);
  const unit = f32x4.splat(perUnit);
  const consistency = f32x4.splat(0.7784652161);
  const near = f32x4.splat(prior > 0 ? <f32>5e-3 : <f32>5e-4);
  const corner = f32x4.splat(1.5);
  const tiny = f32x4.splat(1e-30);
  const all = <usize>n * stride;
  const mid = <usize>(n >> 1) * stride;
  const last = <usize>(n - 1) * stride;
  const nu = f32x4.splat(prior);
  const trust = prior > 0;
  const every = i32x4.splat(n);
  const faster = f32x4.splat(1.15);
  for (let i = 0; i < pixels; i += 8, b += 32, c += 32, o += 32) {
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
    let w0 = zero;
    let w1 = zero;
    let u = inverse;
    for (let q = p0; q < end; q += stride, u += 4) {
      const v = v128.load32_splat(u);
      const vv = f32x4.mul(v, v);
      const d0 = f32x4.mul(f32x4.sub(loadA(q), c0), v);
      const d1 = f32x4.mul(f32x4.sub(loadA16(q), c1), v);
      const g0 = present(d0);
      const g1 = present(d1);
      k0 = i32x4.sub(k0, g0); k1 = i32x4.sub(k1, g1);
      w0 = f32x4.add(w0, v128.and(vv, g0)); w1 = f32x4.add(w1, v128.and(vv, g1));
      const t0 = v128.and(d0, g0);
      const t1 = v128.and(d1, g1);
      s0 = f32x4.add(s0, f32x4.mul(t0, v)); s1 = f32x4.add(s1, f32x4.mul(t1, v));
      q0 = f32x4.add(q0, f32x4.mul(t0, t0)); q1 = f32x4.add(q1, f32x4.mul(t1, t1));
    }
    const whole = i32x4.all_true(v128.and(i32x4.eq(k0, every), i32x4.eq(k1, every)));
    w0 = f32x4.pmax(tiny, w0); w1 = f32x4.pmax(tiny, w1);
    const f0 = f32x4.sub(f32x4.convert_i32x4_s(k0), one);
    const f1 = f32x4.sub(f32x4.convert_i32x4_s(k1), one);
    const e0 = f32x4.pmax(one, f32x4.add(f0, nu));
    const e1 = f32x4.pmax(one, f32x4.add(f1, nu));
    let m0 = zero;
    let m1 = zero;
    let t0 = zero;
    let t1 = zero;
    const b0 = loadB(b);
    const b1 = loadB16(b);
    const l0 = loadC(c);
    const l1 = loadC16(c);
    if (trust) {
      t0 = f32x4.sqrt(known(b0, l0, c0, unit)); t1 = f32x4.sqrt(known(b1, l1, c1, unit));
    } else {
      m0 = f32x4.div(s0, w0); m1 = f32x4.div(s1, w1);
      t0 = f32x4.sqrt(f32x4.div(f32x4.pmax(zero, f32x4.sub(q0, f32x4.mul(w0, f32x4.mul(m0, m0)))), e0));
      t1 = f32x4.sqrt(f32x4.div(f32x4.pmax(zero, f32x4.sub(q1, f32x4.mul(w1, f32x4.mul(m1, m1)))), e1));
    }
    let done0 = f32x4.eq(t0, zero);
    let done1 = f32x4.eq(t1, zero);
    for (let round = 0; round < 60; round++) {
      if (i32x4.all_true(done0) && i32x4.all_true(done1)) break;
      const h0 = f32x4.mul(corner, t0);
      const h1 = f32x4.mul(corner, t1);
      const g0 = f32x4.neg(h0);
      const g1 = f32x4.neg(h1);
      const x0 = f32x4.add(c0, m0);
      const x1 = f32x4.add(c1, m1);
      s0 = zero; s1 = zero; q0 = zero; q1 = zero; u = inverse;
      if (whole) {
        for (let q = p0; q < end; q += stride, u += 4) {
          const v = v128.load32_splat(u);
          const y0 = f32x4.pmin(h0, f32x4.pmax(g0, f32x4.mul(f32x4.sub(loadA(q), x0), v)));
          const y1 = f32x4.pmin(h1, f32x4.pmax(g1, f32x4.mul(f32x4.sub(loadA16(q), x1), v)));
          s0 = f32x4.add(s0, f32x4.mul(y0, v)); s1 = f32x4.add(s1, f32x4.mul(y1, v));
          q0 = f32x4.add(q0, f32x4.mul(y0, y0)); q1 = f32x4.add(q1, f32x4.mul(y1, y1));
        }
      } else {
        for (let q = p0; q < end; q += stride, u += 4) {
          const v = v128.load32_splat(u);
          const d0 = f32x4.mul(f32x4.sub(loadA(q), x0), v);
          const d1 = f32x4.mul(f32x4.sub(loadA16(q), x1), v);
          const y0 = v128.and(f32x4.pmin(h0, f32x4.pmax(g0, d0)), present(d0));
          const y1 = v128.and(f32x4.pmin(h1, f32x4.pmax(g1, d1)), present(d1));
          s0 = f32x4.add(s0, f32x4.mul(y0, v)); s1 = f32x4.add(s1, f32x4.mul(y1, v));
          q0 = f32x4.add(q0, f32x4.mul(y0, y0)); q1 = f32x4.add(q1, f32x4.mul(y1, y1));
        }
      }
      const step0 = f32x4.div(s0, w0);
      const step1 = f32x4.div(s1, w1);
      const v0 = f32x4.div(f32x4.pmax(zero, f32x4.sub(q0, f32x4.mul(w0, f32x4.mul(step0, step0)))), consistency);
      const v1 = f32x4.div(f32x4.pmax(zero, f32x4.sub(q1, f32x4.mul(w1, f32x4.mul(step1, step1)))), consistency);
      const r0 = trust ? f32x4.mul(nu, known(b0, l0, x0, unit)) : zero;
      const r1 = trust ? f32x4.mul(nu, known(b1, l1, x1, unit)) : zero;
      const next0 = f32x4.sqrt(f32x4.div(f32x4.add(v0, r0), e0));
      const next1 = f32x4.sqrt(f32x4.div(f32x4.add(v1, r1), e1));
      const z0 = f32x4.mul(near, next0);
      const z1 = f32x4.mul(near, next1);
      const still0 = v128.and(f32x4.le(f32x4.abs(step0), z0), f32x4.le(f32x4.abs(f32x4.sub(next0, t0)), z0));
      const still1 = v128.and(f32x4.le(f32x4.abs(step1), z1), f32x4.le(f32x4.abs(f32x4.sub(next1, t1)), z1));
      m0 = v128.bitselect(m0, f32x4.add(m0, f32x4.mul(faster, step0)), done0);
      m1 = v128.bitselect(m1, f32x4.add(m1, f32x4.mul(faster, step1)), done1);
      t0 = v128.bitselect(t0, next0, done0); t1 = v128.bitselect(t1, next1, done1);
      done0 = v128.or(done0, v128.or(still0, f32x4.eq(next0, zero)));
      done1 = v128.or(done1, v128.or(still1, f32x4.eq(next1, zero)));
    }
    const limit0 = limitsOf(k0, limits);
    const limit1 = limitsOf(k1, limits);
    storeO(o, f32x4.add(c0, m0)); storeO16(o, f32x4.add(c1, m1));
    storeO(o + plane, v128.bitselect(inf, f32x4.mul(limit0, t0), f32x4.eq(limit0, inf)));
    storeO16(o + plane, v128.bitselect(inf, f32x4.mul(limit1, t1), f32x4.eq(limit1, inf)));
    storeO(o + 2 * plane, f32x4.div(t0, f32x4.sqrt(w0))); storeO16(o + 2 * plane, f32x4.div(t1, f32x4.sqrt(w1)));
  }
}

// Verdicts: a sample of frame f may differ from the centre by reach · noise of the frame + tolerance. B: centre and
// reach, planes of `plane` bytes; C: tolerance. Verdict bytes in O, `stride` / 4 apart; in P the centre of a pixel
// that would keep too few, else NaN.
export function verdicts(
  a: usize, n: i32, stride: usize, pixels: i32, b: usize, plane: usize, c: usize, ratios: usize, o: usize, p: usize,
): void {
  const zero = f32x4.splat(0);
  const slack = f32x4.splat(6e-8);
  const bit1 = i32x4.splat(1);
  const bit2 = i32x4.splat(2);
  const bit3 = i32x4.splat(3);
  const nan = f32x4.splat(<f32>NaN);
  const all = <usize>n * stride;
  for (let i = 0; i < pixels; i += 8, a += 32, b += 32, c += 32, p += 32) {
    const m0 = loadB(b);
    const m1 = loadB16(b);
    const r0 = loadB(b + plane);
    const r1 = loadB16(b + plane);
    const t0 = f32x4.add(loadC(c), f32x4.mul(f32x4.abs(m0), slack));
    const t1 = f32x4.add(loadC16(c), f32x4.mul(f32x4.abs(m1), slack));
    let k0 = zero;
    let k1 = zero;
    let f0 = zero;
    let f1 = zero;
    let v = o + <usize>i;
    let r = ratios;
    for (let q = a, end = a + all; q < end; q += stride, v += stride >> 2, r += 4) {
      const w = v128.load32_splat(r);
      const h0 = f32x4.add(f32x4.mul(r0, w), t0);
      const h1 = f32x4.add(f32x4.mul(r1, w), t1);
      const d0 = f32x4.sub(loadA(q), m0);
      const d1 = f32x4.sub(loadA16(q), m1);
      const g0 = present(d0);
      const g1 = present(d1);
      const x0 = v128.or(v128.or(v128.and(f32x4.lt(d0, f32x4.neg(h0)), bit1), v128.and(f32x4.gt(d0, h0), bit2)),
        v128.andnot(bit3, g0));
      const x1 = v128.or(v128.or(v128.and(f32x4.lt(d1, f32x4.neg(h1)), bit1), v128.and(f32x4.gt(d1, h1), bit2)),
        v128.andnot(bit3, g1));
      f0 = i32x4.sub(f0, g0); f1 = i32x4.sub(f1, g1);
      k0 = i32x4.sub(k0, i32x4.eq(x0, zero)); k1 = i32x4.sub(k1, i32x4.eq(x1, zero));
      const narrow = i16x8.narrow_i32x4_u(x0, x1);
      const bytes = i8x16.narrow_i16x8_u(narrow, narrow);
      putO(v, reinterpret<f32>(i32x4.extract_lane(bytes, 0)));
      putO(v + 4, reinterpret<f32>(i32x4.extract_lane(bytes, 1)));
    }
    const few0 = i32x4.lt_s(k0, fewest(f0));
    const few1 = i32x4.lt_s(k1, fewest(f1));
    const z0 = v128.bitselect(m0, nan, few0);
    const z1 = v128.bitselect(m1, nan, few1);
    putP(p, f32x4.extract_lane(z0, 0)); putP(p + 4, f32x4.extract_lane(z0, 1));
    putP(p + 8, f32x4.extract_lane(z0, 2)); putP(p + 12, f32x4.extract_lane(z0, 3));
    putP(p + 16, f32x4.extract_lane(z1, 0)); putP(p + 20, f32x4.extract_lane(z1, 1));
    putP(p + 24, f32x4.extract_lane(z1, 2)); putP(p + 28, f32x4.extract_lane(z1, 3));
  }
}
@inline function fewest(n: v128): v128 {
  const half = i32x4.shr_s(i32x4.add(n, i32x4.splat(1)), 1);
  return v128.bitselect(half, i32x4.max_s(i32x4.splat(3), half), i32x4.lt_s(n, i32x4.splat(4)));
}
