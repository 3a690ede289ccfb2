// Rejecting mean of n strips in memory A, 8 pixels at a time; the results of O are planes of `plane` bytes: mean, weight sum,
// rejected below, rejected above, variance of the mean. Sums are taken about a sample near the middle, so that float32 suffices.
import { loadA, loadA16, storeO, storeO16 } from "./planes.as";

@inline function median3(a: v128, b: v128, c: v128): v128 {
  return f32x4.max(f32x4.min(a, b), f32x4.min(f32x4.max(a, b), c));
}
@inline function have(a: v128): v128 {
  return f32x4.eq(a, a);
}
@inline function count(k: v128): v128 {
  return f32x4.convert_i32x4_s(k);
}
// The first sample with data where the provisional centre has none; 0 where no sample has.
function fillCentre(c: v128, p: usize, end: usize, stride: usize): v128 {
  for (; p < end && !i32x4.all_true(have(c)); p += stride) c = v128.bitselect(c, loadA(p), have(c));
  return v128.and(c, have(c));
}
@inline function leastKept(n: v128): v128 {
  return f32x4.min(n, f32x4.max(f32x4.splat(3), f32x4.ceil(f32x4.mul(n, f32x4.splat(0.5)))));
}
// Order-preserving integers for floats and back: bisection on them ends at a sample exactly.
@inline function key(v: v128): v128 {
  return v128.xor(v, v128.and(i32x4.shr_s(v, 31), i32x4.splat(0x7fffffff)));
}
// Middle of the samples' distances from c (away = 1) or of x − c itself (away = 0), mean of the two middle ones for even n.
function middle(p0: usize, end: usize, stride: usize, c: v128, away: i32, lo: v128, hi: v128, n: v128): v128 {
  const mask = v128.not(away ? i32x4.splat(-2147483648) : f32x4.splat(0));
  const want = i32x4.shr_u(i32x4.add(n, i32x4.splat(1)), 1);
  let l = i32x4.sub(key(lo), i32x4.splat(1)), h = key(hi);
  for (let it = 0; it < 33; it++) {
    const open = i32x4.gt_s(i32x4.sub(h, l), i32x4.splat(1));
    const wide = i32x4.lt_s(i32x4.sub(h, l), i32x4.splat(0));
    if (!v128.any_true(v128.or(open, wide))) break;
    const m = i32x4.add(v128.and(l, h), i32x4.shr_s(v128.xor(l, h), 1)), mv = key(m);
    let k = f32x4.splat(0);
    for (let p = p0; p < end; p += stride) k = i32x4.sub(k, f32x4.le(v128.and(f32x4.sub(loadA(p), c), mask), mv));
    const enough = i32x4.ge_s(k, want);
    h = v128.bitselect(m, h, enough);
    l = v128.bitselect(l, m, enough);
  }
  const low = key(h), infinity = f32x4.splat(<f32>Infinity);
  let k = f32x4.splat(0), next = infinity;
  for (let p = p0; p < end; p += stride) {
    const d = v128.and(f32x4.sub(loadA(p), c), mask), below = f32x4.le(d, low);
    k = i32x4.sub(k, below);
    next = v128.bitselect(f32x4.min(next, d), next, f32x4.gt(d, low));
  }
  const even = i32x4.eq(v128.and(n, i32x4.splat(1)), f32x4.splat(0));
  const high = v128.bitselect(low, next, i32x4.gt_s(k, want));
  return v128.bitselect(f32x4.mul(f32x4.add(low, high), f32x4.splat(0.5)), low, v128.and(even, i32x4.gt_s(n, f32x4.splat(0))));
}

let low0: v128 = f32x4.splat(0), low1: v128 = f32x4.splat(0), high0: v128 = f32x4.splat(0), high1: v128 = f32x4.splat(0);

// Interval by rounds of mean and standard deviation about the mean; it only shrinks, and never leaves too few samples.
@inline function meanBounds(p0: usize, end: usize, stride: usize, c0: v128, c1: v128, below: v128, above: v128, rounds: i32): void {
  const zero = f32x4.splat(0), inf = f32x4.splat(<f32>Infinity);
  let l0 = f32x4.neg(inf), l1 = l0, h0 = inf, h1 = inf, n0 = zero, n1 = zero, pl0 = l0, pl1 = l1, ph0 = h0, ph1 = h1;
  let k0 = zero, k1 = zero, done0 = zero, done1 = zero, least0 = zero, least1 = zero;
  for (let it = 0; it <= rounds; it++) {
    let s0 = zero, s1 = zero, q0 = zero, q1 = zero;
    k0 = zero; k1 = zero;
    for (let p = p0; p < end; p += stride) {
      let d0 = f32x4.sub(loadA(p), c0), d1 = f32x4.sub(loadA16(p), c1);
      const g0 = v128.and(f32x4.ge(d0, l0), f32x4.le(d0, h0)), g1 = v128.and(f32x4.ge(d1, l1), f32x4.le(d1, h1));
      d0 = v128.and(d0, g0); d1 = v128.and(d1, g1);
      k0 = i32x4.sub(k0, g0); k1 = i32x4.sub(k1, g1);
      s0 = f32x4.add(s0, d0); s1 = f32x4.add(s1, d1);
      q0 = f32x4.add(q0, f32x4.mul(d0, d0)); q1 = f32x4.add(q1, f32x4.mul(d1, d1));
    }
    const f0 = count(k0), f1 = count(k1);
    if (it == 0) {
      least0 = leastKept(f0); least1 = leastKept(f1);
    } else {
      // Too few left: back to the interval before, and stay.
      const few0 = v128.andnot(f32x4.lt(f0, least0), done0), few1 = v128.andnot(f32x4.lt(f1, least1), done1);
      l0 = v128.bitselect(pl0, l0, few0); h0 = v128.bitselect(ph0, h0, few0);
      l1 = v128.bitselect(pl1, l1, few1); h1 = v128.bitselect(ph1, h1, few1);
      done0 = v128.or(done0, v128.or(few0, f32x4.eq(f0, n0)));
      done1 = v128.or(done1, v128.or(few1, f32x4.eq(f1, n1)));
    }
    if (it == rounds || (i32x4.all_true(done0) && i32x4.all_true(done1))) break;
    n0 = f0; n1 = f1;
    const m0 = f32x4.div(s0, f0), m1 = f32x4.div(s1, f1);
    const t0 = f32x4.sqrt(f32x4.max(zero, f32x4.sub(f32x4.div(q0, f0), f32x4.mul(m0, m0))));
    const t1 = f32x4.sqrt(f32x4.max(zero, f32x4.sub(f32x4.div(q1, f1), f32x4.mul(m1, m1))));
    pl0 = l0; pl1 = l1; ph0 = h0; ph1 = h1;
    l0 = v128.bitselect(l0, f32x4.max(l0, f32x4.sub(m0, f32x4.mul(below, t0))), done0);
    h0 = v128.bitselect(h0, f32x4.min(h0, f32x4.add(m0, f32x4.mul(above, t0))), done0);
    l1 = v128.bitselect(l1, f32x4.max(l1, f32x4.sub(m1, f32x4.mul(below, t1))), done1);
    h1 = v128.bitselect(h1, f32x4.min(h1, f32x4.add(m1, f32x4.mul(above, t1))), done1);
  }
  low0 = l0; low1 = l1; high0 = h0; high1 = h1;
}

// Interval m ± limit · scale of four pixels: rule 2 median and 1.4826 MAD, rule 3 Huber's Proposal 2 from there.
let outLow: v128 = f32x4.splat(0), outHigh: v128 = f32x4.splat(0);
function robustBounds(p0: usize, end: usize, stride: usize, c: v128, below: v128, above: v128, rule: i32): void {
  const zero = f32x4.splat(0), inf = f32x4.splat(<f32>Infinity);
  let lo = inf, hi = f32x4.neg(inf), n = zero;
  for (let p = p0; p < end; p += stride) {
    const d = f32x4.sub(loadA(p), c), g = have(d);
    lo = v128.bitselect(f32x4.min(lo, d), lo, g);
    hi = v128.bitselect(f32x4.max(hi, d), hi, g);
    n = i32x4.sub(n, g);
  }
  const f = count(n);
  let m = middle(p0, end, stride, c, 0, lo, hi, n);
  const far = f32x4.max(f32x4.abs(f32x4.sub(hi, m)), f32x4.abs(f32x4.sub(m, lo)));
  let s = f32x4.mul(middle(p0, end, stride, f32x4.add(c, m), 1, zero, f32x4.add(far, f32x4.mul(far, f32x4.splat(1e-5))), n), f32x4.splat(1.4826022));
  if (rule == 3) {
    let done = f32x4.lt(f, f32x4.splat(3));
    for (let it = 0; it < 60; it++) {
      const cl = f32x4.mul(s, f32x4.splat(-1.5)), ch = f32x4.mul(s, f32x4.splat(1.5));
      let sum = zero, q = zero;
      for (let p = p0; p < end; p += stride) {
        const x = f32x4.sub(f32x4.sub(loadA(p), c), m);
        const d = v128.and(f32x4.max(cl, f32x4.min(ch, x)), have(x));
        sum = f32x4.add(sum, d);
        q = f32x4.add(q, f32x4.mul(d, d));
      }
      const step = f32x4.div(sum, f);
      const spread = f32x4.div(f32x4.div(f32x4.max(zero, f32x4.sub(q, f32x4.mul(f, f32x4.mul(step, step)))), f32x4.sub(f, f32x4.splat(1))), f32x4.splat(0.7784652161));
      const next = f32x4.sqrt(spread), near = f32x4.mul(next, f32x4.splat(1e-4));
      const still = v128.and(f32x4.le(f32x4.abs(step), near), f32x4.le(f32x4.abs(f32x4.sub(next, s)), near));
      m = v128.bitselect(m, f32x4.add(m, step), done);
      s = v128.bitselect(s, next, done);
      done = v128.or(done, still);
      if (i32x4.all_true(done)) break;
    }
  }
  let l = f32x4.sub(m, f32x4.mul(below, s)), h = f32x4.add(m, f32x4.mul(above, s));
  let k = zero;
  for (let p = p0; p < end; p += stride) {
    const d = f32x4.sub(loadA(p), c);
    k = i32x4.sub(k, v128.and(f32x4.ge(d, l), f32x4.le(d, h)));
  }
  // Too few would stay: nothing is left out.
  const few = f32x4.lt(count(k), leastKept(f));
  outLow = v128.bitselect(f32x4.neg(inf), l, few);
  outHigh = v128.bitselect(inf, h, few);
}

export function rejectingMean(
  a: usize, n: i32, stride: usize, pixels: i32, weights: usize, below: f32, above: f32, rounds: i32, rule: i32, o: usize, plane: usize,
): void {
  const zero = f32x4.splat(0), inf = f32x4.splat(<f32>Infinity), kb = f32x4.splat(below), ka = f32x4.splat(above);
  const mid = <usize>(n >> 1) * stride, last = <usize>(n - 1) * stride, all = <usize>n * stride;
  for (let i = 0; i < pixels; i += 8, o += 32) {
    const p0 = a + (<usize>i << 2), end = p0 + all;
    let c0 = median3(loadA(p0), loadA(p0 + mid), loadA(p0 + last));
    let c1 = median3(loadA16(p0), loadA16(p0 + mid), loadA16(p0 + last));
    if (!i32x4.all_true(have(c0))) c0 = fillCentre(c0, p0, end, stride);
    if (!i32x4.all_true(have(c1))) c1 = fillCentre(c1, p0 + 16, end + 16, stride);
    if (rule == 1) meanBounds(p0, end, stride, c0, c1, kb, ka, rounds);
    else if (rule >= 2) {
      robustBounds(p0, end, stride, c0, kb, ka, rule);
      low0 = outLow; high0 = outHigh;
      robustBounds(p0 + 16, end + 16, stride, c1, kb, ka, rule);
      low1 = outLow; high1 = outHigh;
    } else {
      low0 = low1 = f32x4.neg(inf);
      high0 = high1 = inf;
    }
    const l0 = low0, l1 = low1, h0 = high0, h1 = high1;
    let s0 = zero, s1 = zero, w0 = zero, w1 = zero, v0 = zero, v1 = zero, q0 = zero, q1 = zero, b0 = zero, b1 = zero, t0 = zero, t1 = zero;
    let wp = weights;
    for (let p = p0; p < end; p += stride, wp += 4) {
      const w = v128.load32_splat(wp);
      const d0 = f32x4.sub(loadA(p), c0), d1 = f32x4.sub(loadA16(p), c1);
      const u0 = f32x4.lt(d0, l0), u1 = f32x4.lt(d1, l1), g0 = f32x4.gt(d0, h0), g1 = f32x4.gt(d1, h1);
      b0 = i32x4.sub(b0, u0); b1 = i32x4.sub(b1, u1); t0 = i32x4.sub(t0, g0); t1 = i32x4.sub(t1, g1);
      const k0 = v128.andnot(have(d0), v128.or(u0, g0)), k1 = v128.andnot(have(d1), v128.or(u1, g1));
      const e0 = v128.and(w, k0), e1 = v128.and(w, k1), x0 = f32x4.mul(e0, v128.and(d0, k0)), x1 = f32x4.mul(e1, v128.and(d1, k1));
      s0 = f32x4.add(s0, x0); s1 = f32x4.add(s1, x1);
      w0 = f32x4.add(w0, e0); w1 = f32x4.add(w1, e1);
      v0 = f32x4.add(v0, f32x4.mul(e0, e0)); v1 = f32x4.add(v1, f32x4.mul(e1, e1));
      q0 = f32x4.add(q0, f32x4.mul(x0, v128.and(d0, k0))); q1 = f32x4.add(q1, f32x4.mul(x1, v128.and(d1, k1)));
    }
    const m0 = f32x4.div(s0, w0), m1 = f32x4.div(s1, w1), one = f32x4.splat(1);
    storeO(o, f32x4.add(c0, m0)); storeO16(o, f32x4.add(c1, m1));
    storeO(o + plane, w0); storeO16(o + plane, w1);
    storeO(o + 2 * plane, count(b0)); storeO16(o + 2 * plane, count(b1));
    storeO(o + 3 * plane, count(t0)); storeO16(o + 3 * plane, count(t1));
    // Scatter about the weighted mean over the effective number of samples less one.
    const e0 = f32x4.sub(f32x4.div(f32x4.mul(w0, w0), v0), one), e1 = f32x4.sub(f32x4.div(f32x4.mul(w1, w1), v1), one);
    storeO(o + 4 * plane, f32x4.div(f32x4.max(zero, f32x4.sub(f32x4.div(q0, w0), f32x4.mul(m0, m0))), e0));
    storeO16(o + 4 * plane, f32x4.div(f32x4.max(zero, f32x4.sub(f32x4.div(q1, w1), f32x4.mul(m1, m1))), e1));
  }
}
