/** Counts of samples in equal bins. */
import type { Samples } from "./samples.ts";

/** Result of {@linkcode histogram}. */
export interface Histogram {
  /** Lower edge of the first bin. */
  readonly low: number;
  /** Upper edge of the last bin; a sample equal to it counts in the last bin. */
  readonly high: number;
  /** Samples in each bin. */
  readonly counts: Float64Array;
  /** Samples below the first edge. */
  readonly below: number;
  /** Samples above the last edge. */
  readonly above: number;
  /** Samples that are NaN. */
  readonly missing: number;
}

/**
 * Histogram with equal bins over a range; the range of the samples when none is given. One pass (two without a range).
 *
 * @param values samples
 * @param bins number of bins
 * @param low lower edge of the first bin
 * @param high upper edge of the last bin
 * @throws {RangeError} if there is no bin or the range is empty
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { histogram } from "faintlight/stats";
 *
 * const h = histogram([0, 0.1, 0.6, 1, 2, NaN], 2, 0, 1);
 * assert.deepEqual([...h.counts], [2, 2]);
 * assert.equal(h.above + h.missing, 2);
 * ```
 */
export function histogram(values: Samples, bins: number, low: number = NaN, high: number = NaN): Histogram {
  if (!(Number.isInteger(bins) && bins > 0)) {
    throw new RangeError(`histogram: bins must be a whole number above 0, but got ${bins}`);
  }
  let from = low;
  let to = high;
  if (from !== from || to !== to) {
    let least = Infinity;
    let most = -Infinity;
    for (let i = 0; i < values.length; i++) {
      const v = values[i];
      if (v < least) least = v;
      if (v > most) most = v;
    }
    if (from !== from) from = least <= most ? least : 0;
    if (to !== to) to = least <= most ? most : 1;
    if (!(to > from)) to = from + 1;
  }
  if (!(to > from)) throw new RangeError(`histogram: high must be > low (${from}), but got ${to}`);
  const counts = new Float64Array(bins);
  const factor = bins / (to - from);
  let below = 0;
  let above = 0;
  let missing = 0;
  for (let i = 0; i < values.length; i++) {
    const v = values[i];
    if (v >= from && v <= to) counts[Math.min(bins - 1, Math.floor((v - from) * factor))]++;
    else if (v < from) below++;
    else if (v > to) above++;
    else missing++;
  }
  return { low: from, high: to, counts, below, above, missing };
}
