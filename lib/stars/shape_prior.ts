/** How far the shape of a single star is to be believed where the frame's is known from many. */
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { robustFit } from "../stats/robust_fit.ts";
import { medianInPlace } from "../stats/samples.ts";
import type { Candidate } from "./candidate.ts";
import { type Ellipse, ellipseArea, gaussianFlux } from "./ellipse.ts";

/**
 * Variance of the logarithm of a faint star's measured area, times the square of its signal-to-noise ratio: 2 for
 * either size (as of either shape component; Bernstein & Jarvis 2002), which go together.
 */
const areaNoise = 4;
/**
 * Stars from this signal-to-noise ratio on tell how sizes differ over a frame: their own noise is less than a
 * twentieth.
 */
const minimumSizeSnr = 40;
/** Stars from this signal-to-noise ratio on compare the flux under their own ellipse with that under the frame's. */
const minimumFluxSnr = 12;
/** Fewest stars for either. */
const minimumStars = 5;

/**
 * Variance of the logarithm of the area of a frame's stars beyond their noise: 0 where all are alike. By the
 * median absolute difference, so that blends have no say.
 */
export function starSizeVariance(stars: readonly Candidate[], frame: Ellipse): number {
  const usual = ellipseArea(frame);
  const logs: number[] = [];
  const noises: number[] = [];
  for (const star of stars) {
    if (!star.shaped || star.saturated || !(star.snr >= minimumSizeSnr)) continue;
    logs.push(Math.log(ellipseArea(star) / usual));
    noises.push(areaNoise / (star.snr * star.snr));
  }
  if (logs.length < minimumStars) return 0;
  const scatter = madSigmaFactor * medianInPlace(Float64Array.from(logs, Math.abs));
  return Math.max(0, scatter * scatter - medianInPlace(Float64Array.from(noises)));
}

/** Weight of a star's own shape against the frame's, 0 … 1: real variance of sizes over that and the noise's. */
export const shapePriorWeight = (star: Candidate, sizeVariance: number): number =>
  star.shaped ? sizeVariance / (sizeVariance + areaNoise / (star.snr * star.snr)) : 0;

/**
 * What the flux found under the frame's ellipse must be multiplied with to be that of the stars' own: the frame's
 * ellipse is one among few, off by a hundredth, and so would be the flux of all stars.
 */
export function frameFluxScale(stars: readonly Candidate[]): number {
  const logs: number[] = [];
  const weights: number[] = [];
  for (const star of stars) {
    if (!star.shaped || star.saturated || !(star.snr >= minimumFluxSnr)) continue;
    logs.push(Math.log(gaussianFlux(star.height, star) / star.frameFlux));
    weights.push(Math.min(star.snr, 100) ** 2);
  }
  const fit = logs.length < minimumStars ? null : robustFit([logs.map(() => 1)], logs, { weights });
  return fit === null ? 1 : Math.exp(fit.coefficients[0]);
}
