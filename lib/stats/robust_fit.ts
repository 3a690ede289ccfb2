/** Linear models fitted so that wild samples do not pull. */
import { settle } from "../core/options.ts";
import { madSigmaFactor } from "./mad_sigma.ts";
import { solveSymmetric } from "./least_squares.ts";
import { medianInPlace, type Samples } from "./samples.ts";

/** Options of {@linkcode robustFit} and {@linkcode robustLine}. */
export interface RobustFitOptions {
  /** Residual, in scales, beyond which a sample's pull no longer grows. */
  readonly limit: number;
  /** At most this many iterations of reweighting. */
  readonly maximumIterations: number;
  /** Weight of each sample before reweighting, inverse variance up to a factor; null for equal weights. */
  readonly weights: Samples | null;
}

/**
 * What {@linkcode robustFit} uses for an option left out: limit 1.345 keeps 95 % efficiency on normal data (Huber
 * 1981).
 */
export const robustFitDefaults: RobustFitOptions = Object.freeze({
  limit: 1.345,
  maximumIterations: 50,
  weights: null,
});

/** Result of {@linkcode robustFit}. */
export interface RobustFit {
  /** One coefficient a term. */
  readonly coefficients: readonly number[];
  /** Standard error of each coefficient. */
  readonly errors: readonly number[];
  /** Robust scale of the residuals, for a sample of weight 1. */
  readonly scale: number;
  /** Number of samples used. */
  readonly used: number;
}

/**
 * Fit y ≈ Σ c_j t_j by Huber's M-estimate (Huber 1964, Ann. Math. Stat. 35, 73), iteratively reweighted least squares
 * with the scale 1.4826 × median |residual| of each iteration. Samples with NaN in y or a term are left out. `null`
 * when there are fewer samples than terms or the terms are not independent.
 *
 * @param terms one array a term, each as long as `y`; put an array of ones first for a constant
 * @param y values to fit
 *
 * @example A constant and a slope, with one wild sample
 * ```ts
 * import assert from "node:assert/strict";
 * import { robustFit } from "faintlight/stats";
 *
 * const x = [0, 1, 2, 3, 4, 5, 6, 7], y = x.map((v) => 2 + 3 * v);
 * y[3] = 1000;
 * const fit = robustFit([x.map(() => 1), x], y);
 * assert.ok(fit !== null && Math.abs(fit.coefficients[1] - 3) < 1e-6);
 * ```
 */
export function robustFit(
  terms: readonly Samples[],
  y: Samples,
  options: Partial<RobustFitOptions> = {},
): RobustFit | null {
  const { limit, maximumIterations, weights } = settle("robustFit", robustFitDefaults, options);
  if (!(limit > 0)) throw new RangeError(`robustFit: limit must be > 0, but got ${limit}`);
  const p = terms.length;
  const rows: number[] = [];
  for (let i = 0; i < y.length; i++) {
    if (y[i] === y[i] && terms.every((term) => term[i] === term[i]) && (weights === null || weights[i] > 0)) {
      rows.push(i);
    }
  }
  const n = rows.length;
  if (n < p || p === 0) return null;
  const t = new Float64Array(n * p);
  const v = new Float64Array(n);
  const base = new Float64Array(n).fill(1);
  rows.forEach((i, r) => {
    for (let j = 0; j < p; j++) t[r * p + j] = terms[j][i];
    v[r] = y[i];
    if (weights !== null) base[r] = weights[i];
  });
  const w = base.slice();
  const residual = new Float64Array(n);
  const scratch = new Float64Array(n);
  let c: Float64Array = new Float64Array(p);
  let scale = 0;
  let normal: Float64Array = new Float64Array(p * p);
  for (let iteration = 0; iteration <= maximumIterations; iteration++) {
    normal = new Float64Array(p * p);
    const right = new Float64Array(p);
    for (let r = 0; r < n; r++) {
      for (let j = 0; j < p; j++) {
        const wt = w[r] * t[r * p + j];
        right[j] += wt * v[r];
        for (let k = 0; k <= j; k++) normal[j * p + k] += wt * t[r * p + k];
      }
    }
    for (let j = 0; j < p; j++) for (let k = 0; k < j; k++) normal[k * p + j] = normal[j * p + k];
    const next = solveSymmetric(normal, right);
    if (next === null) return null;
    let change = 0;
    let size = 0;
    for (let j = 0; j < p; j++) {
      change = Math.max(change, Math.abs(next[j] - c[j]) * Math.sqrt(normal[j * p + j]));
      size = Math.max(size, Math.abs(next[j]) * Math.sqrt(normal[j * p + j]));
    }
    c = next;
    for (let r = 0; r < n; r++) {
      let model = 0;
      for (let j = 0; j < p; j++) model += c[j] * t[r * p + j];
      residual[r] = (v[r] - model) * Math.sqrt(base[r]);
      scratch[r] = Math.abs(residual[r]);
    }
    // With p fitted terms at least p residuals of a small sample vanish: take the median of the others.
    const sorted = scratch.sort();
    const rest = n > p ? sorted.subarray(Math.min(p, n - 1)) : sorted;
    scale = madSigmaFactor * medianInPlace(rest.slice());
    if (iteration > 0 && change <= 1e-10 * size) break;
    if (!(scale > 1e-12 * size / Math.sqrt(n))) break;
    for (let r = 0; r < n; r++) {
      const u = Math.abs(residual[r]) / scale;
      w[r] = base[r] * (u <= limit ? 1 : limit / u);
    }
  }
  const errors: number[] = [];
  for (let j = 0; j < p; j++) {
    const unit = new Float64Array(p);
    unit[j] = 1;
    const column = solveSymmetric(normal, unit);
    errors.push(column === null ? NaN : scale * Math.sqrt(Math.max(0, column[j])));
  }
  return { coefficients: [...c], errors, scale, used: n };
}

/** Result of {@linkcode robustLine}. */
export interface RobustLine {
  /** Value at x = 0. */
  readonly intercept: number;
  /** Change of y for a unit of x. */
  readonly slope: number;
  /** Standard error of the slope. */
  readonly slopeError: number;
  /** Robust scale of the residuals. */
  readonly scale: number;
  /** Number of samples used. */
  readonly used: number;
}

/**
 * Straight line that wild samples do not pull: Huber's M-estimate started from the median of pairwise slopes (Theil
 * 1950, Sen 1968), so that up to 29 % of the samples may be wild in x and y. NaN is left out; NaN results below two
 * distinct x.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { robustLine } from "faintlight/stats";
 *
 * const line = robustLine([0, 1, 2, 3, 4, 5], [1, 3, 5, 7, 9, -400]);
 * assert.ok(Math.abs(line.slope - 2) < 1e-6);
 * ```
 */
export function robustLine(x: Samples, y: Samples, options: Partial<RobustFitOptions> = {}): RobustLine {
  const rows: number[] = [];
  for (let i = 0; i < Math.min(x.length, y.length); i++) if (x[i] === x[i] && y[i] === y[i]) rows.push(i);
  const none: RobustLine = { intercept: NaN, slope: NaN, slopeError: NaN, scale: NaN, used: rows.length };
  if (rows.length < 2) return none;
  const step = Math.max(1, Math.ceil(rows.length / 500));
  const thin = rows.filter((_, i) => i % step === 0);
  const slopes: number[] = [];
  for (let i = 0; i < thin.length; i++) {
    for (let j = i + 1; j < thin.length; j++) {
      const dx = x[thin[j]] - x[thin[i]];
      if (dx !== 0) slopes.push((y[thin[j]] - y[thin[i]]) / dx);
    }
  }
  if (slopes.length === 0) return none;
  const first = medianInPlace(Float64Array.from(slopes));
  const start = medianInPlace(Float64Array.from(rows, (i) => y[i] - first * x[i]));
  const off = Float64Array.from(rows, (i) => Math.abs(y[i] - start - first * x[i]));
  const spread = madSigmaFactor * medianInPlace(off.slice());
  // What lies beyond five scales of the start is left to the start's judgement: Huber alone would follow a far x.
  const near = rows.filter((_, r) => off[r] <= Math.max(5 * spread, 1e-12 * Math.abs(start)));
  const given = options.weights ?? null;
  const fit = robustFit(
    [near.map(() => 1), near.map((i) => x[i])],
    near.map((i) => y[i]),
    { ...options, weights: given === null ? null : near.map((i) => given[i]) },
  );
  if (fit === null) return { intercept: start, slope: first, slopeError: NaN, scale: spread, used: rows.length };
  const [intercept, slope] = fit.coefficients;
  return { intercept, slope, slopeError: fit.errors[1], scale: fit.scale, used: fit.used };
}
