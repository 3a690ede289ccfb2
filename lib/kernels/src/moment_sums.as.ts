// What the passes of moments.as.ts have in common: the sums of a pass, and the falloff of a weight.

// Weights are cut at three sigma: the product of a weight and a star that matches it has fallen to 1e-4 there.
export const CUT: f64 = 9;

export let sum: f64;
export let weight2: f64;
export let weight2Flux: f64;
export let dx: f64;
export let dy: f64;
export let mxx: f64;
export let mxy: f64;
export let myy: f64;
export let peak: f64;
export let covered: f64;

// Sum of four lanes.
@inline export function across(v: v128): f64 {
  return (<f64>f32x4.extract_lane(v, 0) + <f64>f32x4.extract_lane(v, 2)) + (<f64>f32x4.extract_lane(v, 1) +
    <f64>f32x4.extract_lane(v, 3));
}

// exp(−t/2) as the sixteenth power of a polynomial of degree four: right to 3e-4 at the cut, to 1e-7 at a third of the
// peak.
@inline export function falloff(t: v128): v128 {
  const one = f32x4.splat(1);
  const u = f32x4.mul(t, f32x4.splat(1.0 / 32.0));
  let g = f32x4.sub(f32x4.mul(u, f32x4.splat(1.0 / 24.0)), f32x4.splat(1.0 / 6.0));
  g = f32x4.add(f32x4.mul(g, u), f32x4.splat(0.5));
  g = f32x4.sub(f32x4.mul(g, u), one);
  g = f32x4.add(f32x4.mul(g, u), one);
  g = f32x4.mul(g, g);
  g = f32x4.mul(g, g);
  g = f32x4.mul(g, g);
  return f32x4.mul(g, g);
}

// exp(−t/2) as the fourth power of its own fourth root, for a t of either sign.
@inline export function slope(t: v128): v128 {
  let g = falloff(f32x4.mul(t, f32x4.splat(0.25)));
  g = f32x4.mul(g, g);
  return f32x4.mul(g, g);
}

// The sums of a pass from their lanes; false, with `sum` alone set, where something is missing among them.
@inline export function takeSums(
  s: v128, sx: v128, sy: v128, sxx: v128, sxy: v128, syy: v128, s2i: v128, highest: v128, w2: f64, all: f64,
): bool {
  sum = across(s);
  weight2 = w2;
  weight2Flux = across(s2i);
  dx = across(sx) / sum;
  dy = across(sy) / sum;
  mxx = across(sxx) / sum;
  mxy = across(sxy) / sum;
  myy = across(syy) / sum;
  peak = max(
    max(<f64>f32x4.extract_lane(highest, 0), <f64>f32x4.extract_lane(highest, 1)),
    max(<f64>f32x4.extract_lane(highest, 2), <f64>f32x4.extract_lane(highest, 3)),
  );
  covered = all;
  // What is missing shows in the sum, whatever its weight.
  return sum - sum == 0;
}

// The weight that was met as a share of a whole one.
@inline export function shareCovered(whole: f64): void {
  covered /= whole;
}
