/** Huber's Proposal 2: location and scale that outliers cannot carry away. */
import { normalQuantile } from "./special_functions.ts";
import { finiteCopy, type Samples } from "./samples.ts";

/** E[min(z², c²)] of a standard normal deviate, which makes the clamped variance consistent; 0.7784652 for c = 1.5. */
const consistency = 0.7784652161;
const corner = 1.5;

/** Result of {@linkcode huberEstimate}. */
export interface HuberEstimate {
  /** Location, in the unit of the values. */
  readonly location: number;
  /** Scale that equals the standard deviation for Gaussian values. */
  readonly scale: number;
  /** Iterations until nothing moved. */
  readonly iterations: number;
}

/**
 * Location m and scale s such that, with every value clamped to m ± 1.5 s, the mean of the clamped values is m and
 * their variance 0.7785 s² (Huber 1981, Robust Statistics, chapter 6, "Proposal 2"). NaN is left out. Cost: a few
 * dozen passes.
 *
 * @param values at least two that are not NaN, else both results are NaN
 *
 * @example One bad value of ten moves the location by 0.02 and not by 2
 * ```ts
 * import assert from "node:assert/strict";
 * import { huberEstimate } from "faintlight/stats";
 *
 * const { location, scale } = huberEstimate([10.1, 9.8, 10, 10.2, 9.9, 10.05, 9.95, 30, 10.15, 9.85]);
 * assert.ok(Math.abs(location - 10.0304) < 1e-4 && Math.abs(scale - 0.18245) < 1e-4);
 * ```
 */
export function huberEstimate(values: Samples): HuberEstimate {
  const x = finiteCopy(values);
  const n = x.length;
  if (n < 2) return { location: NaN, scale: NaN, iterations: 0 };
  let m = 0;
  let s = 0;
  for (const value of x) m += value / n;
  for (const value of x) s += (value - m) ** 2;
  s = Math.sqrt(s / (n - 1));
  let iterations = 0;
  while (s > 0 && iterations < 500) {
    iterations++;
    let sum = 0;
    let square = 0;
    for (const value of x) {
      const d = Math.min(corner * s, Math.max(-corner * s, value - m));
      sum += d;
      square += d * d;
    }
    const step = sum / n;
    const next = Math.sqrt(Math.max(0, square - n * step * step) / (n - 1) / consistency);
    const still = Math.abs(step) <= 1e-13 * next && Math.abs(next - s) <= 1e-13 * next;
    m += step;
    s = next;
    if (still) break;
  }
  return { location: m, scale: s, iterations };
}

/** Shares a side of the columns of {@linkcode limitTable}. */
const limitShares = [1e-2, 3e-3, 1e-3, 3e-4, 1e-4, 1e-5];
/**
 * Rows: n, then the |x − m| / s that a Gaussian sample of n exceeds with twice the share of each column, m and s being
 * {@linkcode huberEstimate} of the same n values. Own Monte Carlo, some 10⁷ deviates a row
 * (fixtures/combine/huber_limits.py).
 */
const limitTable: readonly (readonly number[])[] = [
  [6, 1.9412, 2.8848, 3.9990, 5.5867, 7.4886, 13.8527],
  [7, 2.0807, 2.9124, 3.8255, 5.0589, 6.4485, 10.7448],
  [8, 2.1663, 2.9563, 3.7914, 4.8904, 6.1132, 9.6867],
  [10, 2.2234, 2.9215, 3.6184, 4.5002, 5.4072, 7.6397],
  [12, 2.2561, 2.9012, 3.5259, 4.2609, 5.0162, 6.8757],
  [15, 2.2828, 2.8771, 3.4379, 4.0830, 4.7085, 6.2337],
  [20, 2.2993, 2.8475, 3.3415, 3.8860, 4.3948, 5.5711],
  [30, 2.3124, 2.8149, 3.2579, 3.7307, 4.1504, 5.0664],
  [50, 2.3203, 2.7894, 3.1893, 3.6042, 3.9710, 4.7110],
  [100, 2.3244, 2.7695, 3.1374, 3.5157, 3.8360, 4.4665],
  [300, 2.3250, 2.7534, 3.1006, 3.4515, 3.7598, 4.3542],
];

/**
 * The limit on |x − m| / s, m and s from {@linkcode huberEstimate} of n Gaussian values, at which the share
 * `falseRejectionShare` of good values is lost on each side. Larger than the Gaussian quantile for small n, where m
 * and s are uncertain; equal to it for n → ∞.
 *
 * @param n number of values, at least 6: fewer cannot tell an outlier from their own scatter
 * @param falseRejectionShare share lost on each side, 1e-5 … 0.01; values outside use the nearest end for the
 * small-sample correction
 * @throws {RangeError} if n or falseRejectionShare is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { huberLimit } from "faintlight/stats";
 *
 * assert.ok(huberLimit(10, 0.001) > 3.5 && huberLimit(100000, 0.001) < 3.1);
 * ```
 */
export function huberLimit(n: number, falseRejectionShare: number): number {
  if (!(n >= 6)) throw new RangeError(`huberLimit: n must be at least 6, but got ${n}`);
  if (!(falseRejectionShare > 0 && falseRejectionShare < 0.5)) {
    throw new RangeError(`huberLimit: falseRejectionShare must lie between 0 and 0.5, but got ${falseRejectionShare}`);
  }
  const z = normalQuantile(1 - falseRejectionShare);
  const quantiles = limitShares.map((share) => normalQuantile(1 - share));
  const inside = Math.min(quantiles[quantiles.length - 1], Math.max(quantiles[0], z));
  let column = 0;
  while (column < quantiles.length - 2 && quantiles[column + 1] < inside) column++;
  const t = (inside - quantiles[column]) / (quantiles[column + 1] - quantiles[column]);
  // Ratio to the Gaussian quantile, linear in z within a row and in 1/n between rows; the row n → ∞ is 1.
  const ratio = (row: readonly number[] | undefined): number =>
    row === undefined ? 1 : (1 - t) * row[column + 1] / quantiles[column] + t * row[column + 2] / quantiles[column + 1];
  let at = 0;
  while (at < limitTable.length && limitTable[at][0] <= n) at++;
  const low = limitTable[at - 1];
  const high = limitTable[at];
  const u = (1 / low[0] - 1 / n) / (1 / low[0] - (high === undefined ? 0 : 1 / high[0]));
  return z * ((1 - u) * ratio(low) + u * ratio(high));
}

/**
 * {@linkcode huberLimit} for n = 0 … most as an array; 0 below `from`, where another rule must judge.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { huberLimit } from "faintlight/stats";
 * import { huberLimits } from "lib/stats/huber.ts";
 *
 * assert.equal(huberLimits(20, 0.001, 8)[20], huberLimit(20, 0.001));
 * ```
 */
export function huberLimits(most: number, falseRejectionShare: number, from: number): Float64Array {
  const limits = new Float64Array(most + 1);
  for (let n = Math.max(6, from); n <= most; n++) limits[n] = huberLimit(n, falseRejectionShare);
  return limits;
}
