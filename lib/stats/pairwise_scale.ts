/** Scales from the differences of all pairs: efficient, no centre needed; for short lists (Rousseeuw & Croux 1993). */
import { madSigmaFactor } from "./mad_sigma.ts";
import { finiteCopy, medianInPlace, type Samples, selectRank } from "./samples.ts";

/** Longest list compared pair by pair; a longer one is thinned evenly to it. */
const LONGEST = 2000;

function thinned(values: Samples): Float64Array {
  const all = finiteCopy(values);
  if (all.length <= LONGEST) return all;
  const kept = new Float64Array(LONGEST);
  for (let i = 0; i < LONGEST; i++) kept[i] = all[Math.floor(i * all.length / LONGEST)];
  return kept;
}

/**
 * Q_n scale: 2.219144 times the k-th smallest |x_i − x_j|, i < j, k = C(h, 2), h = ⌊n/2⌋ + 1 (Rousseeuw & Croux 1993,
 * JASA 88, 1273; constant 1/(√2 Φ⁻¹(5/8))). Efficiency 82 %, half of the samples may be wild. NaN is left out; NaN
 * below two samples. Brute force, O(n²); more than 2000 samples are thinned evenly.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { qnScale } from "faintlight/stats";
 *
 * assert.ok(Math.abs(qnScale([1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 100]) - 4.438288932) < 1e-8);
 * ```
 */
export function qnScale(values: Samples): number {
  const x = thinned(values);
  const n = x.length;
  if (n < 2) return NaN;
  const pairs = new Float64Array(n * (n - 1) / 2);
  for (let i = 0, at = 0; i < n; i++) for (let j = i + 1; j < n; j++) pairs[at++] = Math.abs(x[i] - x[j]);
  const h = (n >> 1) + 1;
  return 2.219144465985076 * selectRank(pairs, pairs.length, h * (h - 1) / 2 - 1);
}

/**
 * S_n scale: 1.1926 lomed_i himed_j |x_i − x_j| (Rousseeuw & Croux 1993, JASA 88, 1273). Efficiency 58 %. NaN is left
 * out; NaN below two samples. Brute force, O(n²); more than 2000 samples are thinned evenly.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { snScale } from "faintlight/stats";
 *
 * assert.ok(Math.abs(snScale([1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 100]) - 3.5778) < 1e-9);
 * ```
 */
export function snScale(values: Samples): number {
  const x = thinned(values);
  const n = x.length;
  if (n < 2) return NaN;
  const inner = new Float64Array(n);
  const outer = new Float64Array(n);
  for (let i = 0; i < n; i++) {
    for (let j = 0; j < n; j++) inner[j] = Math.abs(x[i] - x[j]);
    outer[i] = selectRank(inner, n, n >> 1);
  }
  return 1.1926 * selectRank(outer, n, ((n + 1) >> 1) - 1);
}

/**
 * Robust scale for a list of any length: Q_n below 50 samples, where the median absolute deviation is erratic, else
 * 1.4826 times the latter. 0 for one sample, NaN for none.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { robustScale } from "faintlight/stats";
 *
 * assert.ok(robustScale([1, 2, 3, 4, 100]) < 4);
 * ```
 */
export function robustScale(values: Samples): number {
  const copy = finiteCopy(values);
  if (copy.length < 2) return copy.length === 0 ? NaN : 0;
  if (copy.length < 50) return qnScale(copy);
  const centre = medianInPlace(copy);
  for (let i = 0; i < copy.length; i++) copy[i] = Math.abs(copy[i] - centre);
  return madSigmaFactor * medianInPlace(copy);
}
