/** Tests for outliers by their extreme deviates: Grubbs for one, Rosner for several. */
import { finiteCopy, type Samples } from "./samples.ts";
import { incompleteBeta, normalQuantile } from "./special_functions.ts";

/**
 * Quantile of Student's t distribution, by bisection on its probability (Abramowitz & Stegun 26.7.1 and 26.5.27);
 * relative error below 1e-10.
 *
 * @param p probability, above 0 and below 1
 * @param degrees degrees of freedom, > 0
 * @throws {RangeError} if p or degrees is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { studentQuantile } from "faintlight/stats";
 *
 * assert.ok(Math.abs(studentQuantile(0.975, 7) - 2.364624) < 1e-6);
 * ```
 */
export function studentQuantile(p: number, degrees: number): number {
  if (!(p > 0 && p < 1)) throw new RangeError(`studentQuantile: p must lie between 0 and 1, but got ${p}`);
  if (!(degrees > 0)) throw new RangeError(`studentQuantile: degrees must be > 0, but got ${degrees}`);
  if (p < 0.5) return -studentQuantile(1 - p, degrees);
  const above = (t: number) => 0.5 * incompleteBeta(degrees / (degrees + t * t), degrees / 2, 0.5);
  let low = 0;
  let high = Math.max(1, normalQuantile(p));
  while (above(high) > 1 - p) high *= 2;
  for (let iteration = 0; iteration < 200 && high - low > 1e-13 * high; iteration++) {
    const middle = (low + high) / 2;
    if (above(middle) > 1 - p) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}

/** Result of {@linkcode extremeDeviates}. */
export interface ExtremeDeviates {
  /** Number of outliers. */
  readonly outliers: number;
  /** Their places in the values given, the most extreme first. */
  readonly indices: readonly number[];
  /** Statistic R of each step: largest deviation from the mean over the standard deviation of what is left. */
  readonly statistics: readonly number[];
  /** Critical value λ of each step. */
  readonly critical: readonly number[];
}

/**
 * Rosner's generalised extreme studentised deviate test: up to `maximumOutliers` outliers at level `alpha`, two-sided.
 * With `maximumOutliers` 1 it is Grubbs' test. Made for at least 15 to 25 roughly Gaussian values. NaN is left out.
 * Cost: `maximumOutliers` passes.
 *
 * Source: Rosner 1983, Technometrics 25, 165; Grubbs 1969, Technometrics 11, 1.
 *
 * @param values at least `maximumOutliers` + 2 that are not NaN
 * @param maximumOutliers upper bound of the number of outliers
 * @param alpha probability of finding any in clean Gaussian values
 * @throws {RangeError} if there are too few values, or maximumOutliers or alpha is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { extremeDeviates } from "faintlight/stats";
 *
 * const mass = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57];
 * assert.deepEqual(extremeDeviates(mass, 1).indices, [7]);
 * ```
 */
export function extremeDeviates(values: Samples, maximumOutliers: number, alpha: number = 0.05): ExtremeDeviates {
  const n = finiteCopy(values).length;
  if (!(Number.isInteger(maximumOutliers) && maximumOutliers >= 1)) {
    throw new RangeError(
      `extremeDeviates: maximumOutliers must be a whole number of at least 1, but got ${maximumOutliers}`,
    );
  }
  if (!(alpha > 0 && alpha < 1)) {
    throw new RangeError(`extremeDeviates: alpha must lie between 0 and 1, but got ${alpha}`);
  }
  if (n < maximumOutliers + 2) {
    throw new RangeError(`extremeDeviates: values must hold at least ${maximumOutliers + 2} numbers, but hold ${n}`);
  }
  const left: number[] = [];
  for (let i = 0; i < values.length; i++) if (values[i] === values[i]) left.push(i);
  const statistics: number[] = [];
  const critical: number[] = [];
  const removed: number[] = [];
  let outliers = 0;
  for (let i = 1; i <= maximumOutliers; i++) {
    const count = left.length;
    let mean = 0;
    let square = 0;
    let far = 0;
    for (const at of left) mean += values[at] / count;
    for (const at of left) square += (values[at] - mean) ** 2;
    left.forEach((at, k) => {
      if (Math.abs(values[at] - mean) > Math.abs(values[left[far]] - mean)) far = k;
    });
    const sd = Math.sqrt(square / (count - 1));
    statistics.push(sd > 0 ? Math.abs(values[left[far]] - mean) / sd : 0);
    const t = studentQuantile(1 - alpha / (2 * (n - i + 1)), n - i - 1);
    critical.push((n - i) * t / Math.sqrt((n - i - 1 + t * t) * (n - i + 1)));
    removed.push(left[far]);
    left.splice(far, 1);
    if (statistics[i - 1] > critical[i - 1]) outliers = i;
  }
  return { outliers, indices: removed.slice(0, outliers), statistics, critical };
}
