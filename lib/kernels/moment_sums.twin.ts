/** What the passes of `moments.twin.ts` have in common: weights, their falloff, sums in lanes; see the kernel. */

/** Float32, as the kernel computes. */
export const f = Math.fround;

/** Weights are cut at three sigma: the product of a weight and a star that matches it has fallen to 1e-4 there. */
export const CUT = 9;

/** Second moments. */
export interface Ellipse {
  readonly xx: number;
  readonly xy: number;
  readonly yy: number;
}

/** A weight at a place, and the level taken off each sample. */
export interface Weight extends Ellipse {
  readonly x0: number;
  readonly y0: number;
  readonly background: number;
}

/** The weight's inverse, as the passes use it. */
export interface Inverse {
  readonly x0: number;
  readonly y0: number;
  readonly ixx: number;
  readonly ixy: number;
  readonly iyy: number;
  readonly sky: number;
  readonly straight: boolean;
}

/** Pixels of a pass. */
export interface Window {
  readonly left: number;
  readonly right: number;
  readonly top: number;
  readonly bottom: number;
}

/** Sums of a pass; see `weigh` of the kernel. */
export interface Sums {
  readonly sum: number;
  readonly weight2: number;
  readonly weight2Flux: number;
  readonly dx: number;
  readonly dy: number;
  readonly mxx: number;
  readonly mxy: number;
  readonly myy: number;
  readonly peak: number;
  readonly covered: number;
}

/** The same while they are summed: four lanes each, as the kernel's vectors have. */
export interface Lanes {
  readonly s: Float32Array;
  readonly sx: Float32Array;
  readonly sy: Float32Array;
  readonly sxx: Float32Array;
  readonly sxy: Float32Array;
  readonly syy: Float32Array;
  readonly s1: Float32Array;
  readonly s2: Float32Array;
  readonly s2i: Float32Array;
}

export const lane = () => new Float32Array(4);
export const lanes = (): Lanes => ({
  s: lane(),
  sx: lane(),
  sy: lane(),
  sxx: lane(),
  sxy: lane(),
  syy: lane(),
  s1: lane(),
  s2: lane(),
  s2i: lane(),
});
export const across = (v: Float32Array): number => (v[0] + v[2]) + (v[1] + v[3]);

/** Sums of a pass from its lanes. */
export function sumsOf({ s, sx, sy, sxx, sxy, syy, s2i }: Lanes, peak: number, weight2: number, covered: number): Sums {
  const sum = across(s);
  return {
    sum,
    weight2,
    weight2Flux: across(s2i),
    dx: across(sx) / sum,
    dy: across(sy) / sum,
    mxx: across(sxx) / sum,
    mxy: across(sxy) / sum,
    myy: across(syy) / sum,
    peak,
    covered,
  };
}

/** See `falloff` of the kernel. */
export function falloff(t: number): number {
  const u = f(t / 32);
  let g = f(f(u * f(1 / 24)) - f(1 / 6));
  g = f(f(g * u) + 0.5);
  g = f(f(g * u) - 1);
  g = f(f(g * u) + 1);
  g = f(g * g);
  g = f(g * g);
  g = f(g * g);
  return f(g * g);
}

/** See `between` of the kernel. */
export function between(v: number, low: number, high: number): number {
  const a = Math.max(0, Math.min(1, f(f(v + 0.5) - low)));
  return f(a * Math.max(0, Math.min(1, f(high - f(v - 0.5)))));
}

/** See `slope` of the kernel. */
export function slope(t: number): number {
  let g = falloff(f(t * 0.25));
  g = f(g * g);
  return f(g * g);
}
