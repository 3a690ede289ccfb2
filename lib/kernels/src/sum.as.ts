// Weighted sums of the kept samples of each pixel, in float64 about the first sample with data; the frames take turns
// in two halves. A: strips of n frames, `stride` samples apart; B: one verdict byte a sample, 0 to keep, 1 dimmer, 2
// brighter, 3 missing. Results, planes of `plane` samples: in O mean, weight, first half, second half, variance of the
// mean; in P, as integers, samples kept, dimmer, brighter.
import { loadA, storeO, storeP, wordB } from "./planes.as";

@inline function low(v: v128): v128 {
  return f64x2.promote_low_f32x4(v);
}
@inline function high(v: v128): v128 {
  return f64x2.promote_low_f32x4(v128.shuffle<f32>(v, v, 2, 3, 2, 3));
}
@inline function single(l: v128, h: v128): v128 {
  return v128.shuffle<f32>(f32x4.demote_f64x2_zero(l), f32x4.demote_f64x2_zero(h), 0, 1, 4, 5);
}
@inline function scatter(q: v128, t: v128, shift: v128, w2: v128, w: v128, n: v128): v128 {
  const two = f64x2.splat(2);
  const one = f64x2.splat(1);
  const square = f64x2.add(f64x2.sub(q, f64x2.mul(f64x2.mul(two, shift), t)), f64x2.mul(f64x2.mul(shift, shift), w2));
  const held = f64x2.pmax(f64x2.splat(0), square);
  const v = f64x2.div(f64x2.mul(f64x2.div(held, f64x2.mul(w, w)), n), f64x2.sub(n, one));
  return v128.bitselect(f64x2.splat(NaN), v, f64x2.lt(n, two));
}

// The first sample with data of each of four pixels, 0 without any.
@inline function firstKnown(a: usize, end: usize, stride: usize): v128 {
  let first = f32x4.splat(<f32>NaN);
  for (let f: usize = 0; f < end; f += stride) {
    first = v128.bitselect(first, loadA(a + f), f32x4.eq(first, first));
    if (i32x4.all_true(f32x4.eq(first, first))) break;
  }
  return v128.and(first, f32x4.eq(first, first));
}

export function sumKept(
  a: usize, n: i32, stride: usize, pixels: i32, b: usize, weights: usize, o: usize, p: usize, plane: usize,
): void {
  const zero = i32x4.splat(0);
  const one = i32x4.splat(1);
  const two = i32x4.splat(2);
  const end = <usize>n * stride;
  for (let i = 0; i < pixels; i += 4, a += 16, b += 4, o += 16, p += 16) {
    const first = firstKnown(a, end, stride);
    const p0 = low(first);
    const p1 = high(first);
    let va0 = zero;
    let va1 = zero;
    let vb0 = zero;
    let vb1 = zero;
    let wa0 = zero;
    let wa1 = zero;
    let wb0 = zero;
    let wb1 = zero;
    let u0 = zero;
    let u1 = zero;
    let t0 = zero;
    let t1 = zero;
    let q0 = zero;
    let q1 = zero;
    let kept = zero;
    let dimmer = zero;
    let brighter = zero;
    let w = weights;
    let v = b;
    for (let f: usize = 0, k = 0; f < end; f += stride, w += 8, v += stride >> 2, k ^= 1) {
      const verdict = i32x4.extend_low_i16x8_u(i16x8.extend_low_i8x16_u(i32x4.splat(wordB(v))));
      const keep = i32x4.eq(verdict, zero);
      kept = i32x4.sub(kept, keep);
      dimmer = i32x4.sub(dimmer, i32x4.eq(verdict, one));
      brighter = i32x4.sub(brighter, i32x4.eq(verdict, two));
      const x = v128.bitselect(loadA(a + f), first, keep);
      const weight = v128.load64_splat(w);
      const d0 = f64x2.sub(low(x), p0);
      const d1 = f64x2.sub(high(x), p1);
      const k0 = i64x2.extend_low_i32x4_s(keep);
      const k1 = i64x2.extend_high_i32x4_s(keep);
      const w0 = v128.and(weight, k0);
      const w1 = v128.and(weight, k1);
      const s0 = f64x2.mul(w0, w0);
      const s1 = f64x2.mul(w1, w1);
      const e0 = f64x2.mul(w0, d0);
      const e1 = f64x2.mul(w1, d1);
      if (k) {
        vb0 = f64x2.add(vb0, e0); vb1 = f64x2.add(vb1, e1);
        wb0 = f64x2.add(wb0, w0); wb1 = f64x2.add(wb1, w1);
      } else {
        va0 = f64x2.add(va0, e0); va1 = f64x2.add(va1, e1);
        wa0 = f64x2.add(wa0, w0); wa1 = f64x2.add(wa1, w1);
      }
      const r0 = f64x2.mul(s0, d0);
      const r1 = f64x2.mul(s1, d1);
      u0 = f64x2.add(u0, s0); u1 = f64x2.add(u1, s1);
      t0 = f64x2.add(t0, r0); t1 = f64x2.add(t1, r1);
      q0 = f64x2.add(q0, f64x2.mul(r0, d0)); q1 = f64x2.add(q1, f64x2.mul(r1, d1));
    }
    const w0 = f64x2.add(wa0, wb0);
    const w1 = f64x2.add(wa1, wb1);
    const m0 = f64x2.div(f64x2.add(va0, vb0), w0);
    const m1 = f64x2.div(f64x2.add(va1, vb1), w1);
    storeO(o, single(f64x2.add(p0, m0), f64x2.add(p1, m1)));
    storeO(o + plane, single(w0, w1));
    storeO(o + 2 * plane, single(f64x2.add(p0, f64x2.div(va0, wa0)), f64x2.add(p1, f64x2.div(va1, wa1))));
    storeO(o + 3 * plane, single(f64x2.add(p0, f64x2.div(vb0, wb0)), f64x2.add(p1, f64x2.div(vb1, wb1))));
    const n0 = f64x2.convert_low_i32x4_s(kept);
    const n1 = f64x2.convert_low_i32x4_s(v128.shuffle<f32>(kept, kept, 2, 3, 2, 3));
    storeO(o + 4 * plane, single(scatter(q0, t0, m0, u0, w0, n0), scatter(q1, t1, m1, u1, w1, n1)));
    storeP(p, kept);
    storeP(p + plane, dimmer);
    storeP(p + 2 * plane, brighter);
  }
}
