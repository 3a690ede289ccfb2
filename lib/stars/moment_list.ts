/** Lists of stars for the kernel of Gaussian-weighted moments, and what a measured entry says. */
import type { Sampling } from "../core/sampling.ts";
import { measureMoments, momentAt, momentFields } from "../kernels/moments.ts";
import { type Ellipse, resolvedVariance } from "./ellipse.ts";

/** What the measurement of a star starts from. */
export interface MomentStart {
  /** Centre, column. */
  readonly x: number;
  /** Centre, row. */
  readonly y: number;
  /** Gaussian ellipse of the star. */
  readonly shape: Ellipse;
  /** Taken off each sample. */
  readonly background: number;
}

/** An empty list of a number of entries. */
export const momentList = (count: number): Float64Array => new Float64Array(momentFields * count);

/**
 * Set an entry to be measured, with one pass if nothing else is set.
 *
 * @param task 0: one pass; 1: centre, the weight held; 2: adapt centre and ellipse
 * @returns where the entry begins
 */
export function setEntry(list: Float64Array, k: number, task: 0 | 1 | 2, start: MomentStart): number {
  const e = k * momentFields;
  list[e + momentAt.task] = task;
  list[e + momentAt.x] = start.x;
  list[e + momentAt.y] = start.y;
  list[e + momentAt.xx] = start.shape.xx;
  list[e + momentAt.xy] = start.shape.xy;
  list[e + momentAt.yy] = start.shape.yy;
  list[e + momentAt.background] = start.background;
  list[e + momentAt.iterations] = 1;
  return e;
}

/**
 * Measure all entries of a list.
 *
 * @param resolved variance that the weight is widened to; 0 leaves it as narrow as the star
 */
export function measureList(
  sampling: Sampling,
  list: Float64Array,
  resolved: number = resolvedVariance(sampling),
): void {
  if (list.length > 0) measureMoments(sampling, resolved, list);
}

/** Ellipse of the entry that begins at `e`. */
export const ellipseAt = (list: Float64Array, e: number): Ellipse => ({
  xx: list[e + momentAt.xx],
  xy: list[e + momentAt.xy],
  yy: list[e + momentAt.yy],
});

/** Ellipse of the weight of the entry that begins at `e`. */
export const weightAt = (list: Float64Array, e: number): Ellipse => ({
  xx: list[e + momentAt.weightXx],
  xy: list[e + momentAt.weightXy],
  yy: list[e + momentAt.weightYy],
});

/**
 * Signal-to-noise ratio of the entry that begins at `e`: its weighted sum against the noise of the sky and of the
 * star's own photons.
 *
 * @param noise standard deviation of a pixel there
 * @param electronsPerUnit for the photon noise; 0 when not known
 */
export function signalToNoise(list: Float64Array, e: number, noise: number, electronsPerUnit: number): number {
  const photons = electronsPerUnit > 0 ? Math.max(0, list[e + momentAt.weight2Flux]) / electronsPerUnit : 0;
  return list[e + momentAt.sum] / Math.sqrt(list[e + momentAt.weight2] * noise * noise + photons);
}

/**
 * Whether the flux of entry `k` is one pixel's and not a star's: a star of the weight's width explains more of the
 * samples than a single pixel does. Compares the two signal-to-noise ratios: Σ w I / √Σ w² against the peak.
 */
export function isSinglePixel(list: Float64Array, k: number): boolean {
  const e = k * momentFields;
  return list[e + momentAt.peak] > list[e + momentAt.sum] / Math.sqrt(list[e + momentAt.weight2]);
}

/**
 * Flux of a Gaussian star under the weight of the entry that begins at `e`: Σ w I √(|M + W| / |W|), M the star's
 * moments and W the weight's.
 */
export function gaussianFluxAt(sampling: Sampling, list: Float64Array, e: number): number {
  const weight = weightAt(list, e);
  const star = ellipseAt(list, e);
  const both = (weight.xx + star.xx) * (weight.yy + star.yy) - (weight.xy + star.xy) ** 2;
  const own = weight.xx * weight.yy - weight.xy * weight.xy;
  return list[e + momentAt.sum] * (sampling.parity === -1 ? 1 : 2) * Math.sqrt(both / own) / list[e + momentAt.covered];
}
