/** Limits of the outlier test whose scale is moderated by a known noise. */
import { normalQuantile } from "./special_functions.ts";

/**
 * Degrees of freedom that the known noise counts for: from 33 samples on a pixel's own scatter outweighs it. Own
 * choice: the noise of a field is known to a few percent and differs from pixel to pixel by some more.
 */
export const priorFreedom = 32;

/** Shares a side of the columns of the table. */
const shares = [1e-2, 3e-3, 1e-3, 3e-4, 1e-4, 1e-5];

/**
 * Rows: n, the |x − m| / s that a Gaussian sample of n exceeds with twice the share of each column, m and s by Huber's
 * Proposal 2 with the known variance counting for 32 degrees of freedom, and the median of s² without it. Own Monte
 * Carlo, 5 · 10⁶ deviates a row (fixtures/combine/moderated_limits.py).
 */
const table: readonly (readonly number[])[] = [
  [3, 1.9093, 2.4064, 2.8103, 3.2147, 3.5426, 4.2179, 0.8894],
  [4, 2.0403, 2.5118, 2.8941, 3.2794, 3.6060, 4.1888, 1.0159],
  [5, 2.0999, 2.5581, 2.9235, 3.2998, 3.6207, 4.2238, 1.0427],
  [6, 2.1364, 2.5861, 2.9552, 3.3254, 3.6443, 4.2753, 1.0171],
  [7, 2.1606, 2.6040, 2.9676, 3.3318, 3.6541, 4.2195, 1.0111],
  [8, 2.1754, 2.6202, 2.9814, 3.3356, 3.6390, 4.2273, 1.0078],
  [10, 2.2003, 2.6397, 2.9982, 3.3611, 3.6698, 4.2537, 1.0076],
  [12, 2.2178, 2.6547, 3.0123, 3.3692, 3.6773, 4.2349, 1.0137],
  [15, 2.2307, 2.6637, 3.0196, 3.3764, 3.6694, 4.2280, 1.0086],
  [20, 2.2510, 2.6825, 3.0334, 3.3926, 3.6959, 4.2674, 1.0076],
  [30, 2.2715, 2.7020, 3.0532, 3.4063, 3.7106, 4.2754, 1.0060],
  [50, 2.2919, 2.7226, 3.0775, 3.4302, 3.7261, 4.3191, 1.0028],
  [100, 2.3118, 2.7445, 3.0924, 3.4474, 3.7489, 4.3359, 0.9991],
  [300, 2.3231, 2.7498, 3.1006, 3.4486, 3.7541, 4.3230, 0.9977],
];

/** Rows on both sides of n, and how far from the first to the second, linear in 1/n; no second row beyond the table. */
function between(
  n: number,
): { readonly low: readonly number[]; readonly high: readonly number[] | null; readonly t: number } {
  let at = 1;
  while (at < table.length && table[at][0] <= n) at++;
  const low = table[at - 1];
  const high = at < table.length ? table[at] : null;
  return { low, high, t: (1 / low[0] - 1 / n) / (1 / low[0] - (high === null ? 0 : 1 / high[0])) };
}

/** Median of Huber's s² of n standard normal deviates, n ≥ 3: what a median of many scatters is to be divided by. */
export function scatterMedian(n: number): number {
  const { low, high, t } = between(n);
  return (1 - t) * low[7] + t * (high === null ? 1 : high[7]);
}

/**
 * The limit on |x − m| / s, m and s of n Gaussian samples moderated by their known variance, at which the share
 * `falseRejectionShare` of good samples is lost on each side.
 *
 * @param n at least 3
 * @param falseRejectionShare 1e-5 … 0.01; values outside use the nearest end for the correction of the Gaussian
 * quantile
 */
export function moderatedLimit(n: number, falseRejectionShare: number): number {
  const z = normalQuantile(1 - falseRejectionShare);
  const quantiles = shares.map((share) => normalQuantile(1 - share));
  const inside = Math.min(quantiles[quantiles.length - 1], Math.max(quantiles[0], z));
  let column = 0;
  while (column < quantiles.length - 2 && quantiles[column + 1] < inside) column++;
  const u = (inside - quantiles[column]) / (quantiles[column + 1] - quantiles[column]);
  const ratio = (row: readonly number[] | null): number =>
    row === null ? 1 : (1 - u) * row[column + 1] / quantiles[column] + u * row[column + 2] / quantiles[column + 1];
  const { low, high, t } = between(n);
  return z * ((1 - t) * ratio(low) + t * ratio(high));
}

/** {@linkcode moderatedLimit} for n = 0 … most; Infinity below 3, where nothing can be told. */
export const moderatedLimits = (most: number, falseRejectionShare: number): Float32Array =>
  Float32Array.from({ length: most + 1 }, (_, n) => n < 3 ? Infinity : moderatedLimit(n, falseRejectionShare));
