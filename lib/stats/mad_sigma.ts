/** Scale by the median absolute deviation. */
import { medianOf, type Samples } from "./samples.ts";

/** 1 / Φ⁻¹(3/4): turns the median absolute deviation of normal data into their standard deviation. */
export const madSigmaFactor: number = 1.482602218505602;

/**
 * Median absolute deviation from the median. NaN is left out.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { mad } from "faintlight/stats";
 *
 * assert.equal(mad([1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 100]), 3);
 * ```
 */
export function mad(values: Samples, centre: number = medianOf(values)): number {
  return medianOf(values, centre);
}

/**
 * Standard deviation of the bulk of the samples: 1.4826 times the median absolute deviation. Half of the samples may be
 * wild; efficiency 37 % on normal data. NaN is left out. Linear time, no copy of large float32 planes.
 *
 * @param values samples
 * @param centre the median, if already known
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { madSigma } from "faintlight/stats";
 *
 * assert.ok(Math.abs(madSigma([1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 100]) - 4.4478) < 1e-4);
 * ```
 */
export function madSigma(values: Samples, centre: number = medianOf(values)): number {
  return madSigmaFactor * medianOf(values, centre);
}
