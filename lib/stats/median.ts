/** Median and quantiles. */
import { medianOf, quantileOf, type Samples } from "./samples.ts";

/**
 * Middle value; the mean of the two middle ones when their number is even. NaN is left out; NaN when nothing is left.
 * Expected linear time; planes of float32 are not copied (two or three counting passes).
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { median } from "faintlight/stats";
 *
 * assert.equal(median([5, NaN, 1, 2, 100]), 3.5);
 * ```
 */
export function median(values: Samples): number {
  return medianOf(values);
}

/**
 * Value below which the given fraction of the samples lies, interpolated linearly between ranks (type 7 of Hyndman &
 * Fan 1996, Am. Stat. 50, 361; what numpy does). NaN is left out; NaN when nothing is left.
 *
 * @param values samples of any unit
 * @param fraction 0 … 1
 * @throws {RangeError} if the fraction is outside 0 … 1
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { quantile } from "faintlight/stats";
 *
 * assert.equal(quantile([0, 10, 20, 30], 0.5), 15);
 * ```
 */
export function quantile(values: Samples, fraction: number): number {
  if (!(fraction >= 0 && fraction <= 1)) {
    throw new RangeError(`quantile: fraction must lie between 0 and 1, but got ${fraction}`);
  }
  return quantileOf(values, fraction);
}

/**
 * Value at which half of the total weight is reached: of the samples in ascending order the first whose weights sum to
 * at least half; the mean with its successor when they sum to exactly half. Samples that are NaN or of weight 0 are
 * left out.
 *
 * @throws {RangeError} if the lengths differ or a weight is negative or NaN
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { weightedMedian } from "faintlight/stats";
 *
 * assert.equal(weightedMedian([1, 2, 3], [1, 1, 5]), 3);
 * assert.equal(weightedMedian([1, 2, 3, 4], [1, 1, 1, 1]), 2.5);
 * ```
 */
export function weightedMedian(values: Samples, weights: Samples): number {
  if (values.length !== weights.length) {
    throw new RangeError(
      `weightedMedian: weights must be as many as values (${values.length}), but got ${weights.length}`,
    );
  }
  const order: number[] = [];
  let total = 0;
  for (let i = 0; i < values.length; i++) {
    if (!(weights[i] >= 0)) throw new RangeError(`weightedMedian: weights must be ≥ 0, but got ${weights[i]}`);
    if (values[i] === values[i] && weights[i] > 0) {
      order.push(i);
      total += weights[i];
    }
  }
  if (order.length === 0) return NaN;
  order.sort((a, b) => values[a] - values[b] || a - b);
  let sum = 0;
  for (let j = 0; j < order.length; j++) {
    sum += weights[order[j]];
    if (sum * 2 > total || j === order.length - 1) return values[order[j]];
    if (sum * 2 === total) return (values[order[j]] + values[order[j + 1]]) / 2;
  }
  return NaN;
}
