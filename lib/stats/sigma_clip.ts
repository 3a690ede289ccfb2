/** Iterated rejection of samples far from the centre. */
import { settle } from "../core/options.ts";
import { madSigmaFactor } from "./mad_sigma.ts";
import { normalDensity, normalProbability } from "./special_functions.ts";
import { finiteCopy, type Samples } from "./samples.ts";

/** Options of {@linkcode sigmaClip}. */
export interface SigmaClipOptions {
  /** Samples lower than centre − this many scales are left out. */
  readonly rejectBelow: number;
  /** Samples higher than centre + this many scales are left out. */
  readonly rejectAbove: number;
  /** What the limits are laid around. */
  readonly centre: "median" | "mean";
  /**
   * What the limits are counted in: standard deviation of the kept samples, or 1.4826 × their median absolute
   * deviation.
   */
  readonly scale: "sd" | "madSigma";
  /** At most this many iterations; they end when nothing changes. */
  readonly maximumIterations: number;
}

/**
 * What {@linkcode sigmaClip} uses for an option left out. At 3 sigma 0.27 % of normal samples are lost and the
 * correction of the standard deviation is 1.5 %; the median is the centre because one wild sample does not move it.
 */
export const sigmaClipDefaults: SigmaClipOptions = Object.freeze({
  rejectBelow: 3,
  rejectAbove: 3,
  centre: "median",
  scale: "sd",
  maximumIterations: 100,
});

/** Result of {@linkcode sigmaClip}. */
export interface ClippedStatistics {
  /** Mean of the kept samples. */
  readonly mean: number;
  /** Median of the kept samples. */
  readonly median: number;
  /** Population standard deviation of the kept samples, as it is: for normal data too small. */
  readonly sd: number;
  /** The same divided by what clipping takes from normal data, {@linkcode clippedSdFactor}. */
  readonly sdCorrected: number;
  /** Number of samples kept. */
  readonly kept: number;
  /** Number of samples left out below. */
  readonly below: number;
  /** Number of samples left out above. */
  readonly above: number;
  /** Smallest value kept. */
  readonly low: number;
  /** Largest value kept. */
  readonly high: number;
  /** Iterations until nothing changed. */
  readonly iterations: number;
}

/** Variance of a standard normal deviate cut at −a and b. */
function cutVariance(a: number, b: number): number {
  const mass = normalProbability(b) - normalProbability(-a);
  const mean = (normalDensity(a) - normalDensity(b)) / mass;
  const edge = (k: number) => Number.isFinite(k) ? k * normalDensity(k) : 0;
  return 1 - (edge(a) + edge(b)) / mass - mean * mean;
}

/**
 * What is left of the standard deviation of normal data after clipping at ± `limit` standard deviations, once or until
 * nothing changes (the fixed point s² = var of the normal cut at ± limit · s; 0 below about 1.73, where it collapses).
 *
 * @throws {RangeError} if the limit is not above 0
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { clippedSdFactor } from "faintlight/stats";
 *
 * assert.ok(Math.abs(clippedSdFactor(3) - 0.984846) < 1e-6);
 * assert.ok(Math.abs(clippedSdFactor(3, "once") - 0.986578) < 1e-6);
 * ```
 */
export function clippedSdFactor(limit: number, iterations: "once" | "converged" = "converged"): number {
  if (!(limit > 0)) throw new RangeError(`clippedSdFactor: limit must be > 0, but got ${limit}`);
  if (iterations === "once") return Math.sqrt(cutVariance(limit, limit));
  let s = 1;
  for (let i = 0; i < 2000; i++) {
    const next = Math.sqrt(Math.max(0, cutVariance(limit * s, limit * s)));
    if (next < 1e-3) return 0;
    if (Math.abs(next - s) < 1e-14) return next;
    s = next;
  }
  return s;
}

/**
 * Median of |x − centre| over the ascending numbers from `from` to before `to`: two runs that grow, merged from the
 * middle.
 */
function sortedMad(sorted: Float64Array, from: number, to: number, centre: number): number {
  const n = to - from;
  let right = from;
  {
    let low = from;
    let high = to;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (sorted[middle] < centre) low = middle + 1;
      else high = middle;
    }
    right = low;
  }
  let left = right - 1;
  let last = 0;
  let before = 0;
  for (let taken = 0; taken <= n >> 1; taken++) {
    before = last;
    const down = left >= from ? centre - sorted[left] : Infinity;
    const up = right < to ? sorted[right] - centre : Infinity;
    if (down <= up) {
      last = down;
      left--;
    } else {
      last = up;
      right++;
    }
  }
  return n & 1 ? last : (before + last) / 2;
}

/**
 * Mean, median and standard deviation after samples far from the centre have been left out again and again until
 * nothing changes. NaN is left out. Cost: one sort of a copy.
 *
 * @throws {RangeError} if a limit is not above 0
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { sigmaClip } from "faintlight/stats";
 *
 * const clipped = sigmaClip([9, 10, 11, 10, 9, 11, 10, 10, 9, 11, 10, 500]);
 * assert.equal(clipped.kept, 11);
 * assert.equal(clipped.median, 10);
 * ```
 */
export function sigmaClip(values: Samples, options: Partial<SigmaClipOptions> = {}): ClippedStatistics {
  const used = settle("sigmaClip", sigmaClipDefaults, options);
  const { rejectBelow, rejectAbove } = used;
  for (const limit of [rejectBelow, rejectAbove]) {
    if (!(limit > 0)) throw new RangeError(`sigmaClip: limits must be > 0, but got ${limit}`);
  }
  const sorted = finiteCopy(values).sort();
  let from = 0;
  let to = sorted.length;
  let iterations = 0;
  const moments = () => {
    const n = to - from;
    let sum = 0;
    for (let i = from; i < to; i++) sum += sorted[i];
    const mean = sum / n;
    let squares = 0;
    for (let i = from; i < to; i++) squares += (sorted[i] - mean) ** 2;
    const half = from + (n >> 1);
    return { mean, sd: Math.sqrt(squares / n), median: n & 1 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2 };
  };
  if (to === 0) {
    return {
      mean: NaN,
      median: NaN,
      sd: NaN,
      sdCorrected: NaN,
      kept: 0,
      below: 0,
      above: 0,
      low: NaN,
      high: NaN,
      iterations,
    };
  }
  let now = moments();
  while (iterations < used.maximumIterations) {
    iterations++;
    const centre = used.centre === "median" ? now.median : now.mean;
    const scale = used.scale === "sd" ? now.sd : madSigmaFactor * sortedMad(sorted, from, to, centre);
    const low = centre - rejectBelow * scale;
    const high = centre + rejectAbove * scale;
    const wasFrom = from;
    const wasTo = to;
    while (from < to && sorted[from] < low) from++;
    while (to > from && sorted[to - 1] > high) to--;
    if (from === wasFrom && to === wasTo) break;
    now = moments();
  }
  const symmetric = rejectBelow === rejectAbove && Number.isFinite(rejectBelow);
  const factor = used.scale === "madSigma"
    ? Math.sqrt(cutVariance(rejectBelow, rejectAbove))
    : symmetric
    ? clippedSdFactor(rejectBelow)
    : Math.sqrt(cutVariance(rejectBelow, rejectAbove));
  return {
    ...now,
    sdCorrected: factor > 0 ? now.sd / factor : NaN,
    kept: to - from,
    below: from,
    above: sorted.length - to,
    low: sorted[from],
    high: sorted[to - 1],
    iterations,
  };
}

/**
 * The mode of a skewed distribution, as for a sky with faint stars in it: 2.5 median − 1.5 mean when mean and median
 * differ by at most 0.3 standard deviations, else the median (Bertin & Arnouts 1996, A&AS 117, 393, section 3.1). No
 * clipping is done here; give it what {@linkcode sigmaClip} kept.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { skewedMode } from "faintlight/stats";
 *
 * assert.equal(skewedMode({ mean: 10.25, median: 10, sd: 1 }), 9.625);
 * ```
 */
export function skewedMode(statistics: Pick<ClippedStatistics, "mean" | "median" | "sd">): number {
  const { mean, median, sd } = statistics;
  if (!(sd > 0)) return median;
  return Math.abs(mean - median) / sd <= 0.3 ? 2.5 * median - 1.5 * mean : median;
}
