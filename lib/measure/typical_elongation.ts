/** How elongated the stars of a frame are beyond what noise and coarse pixels make of round ones. */
import type { Star } from "../core/star.ts";
import { madSigma } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";

/** Fewest of the stars, from the brightest, that the shared elongation is taken from; more if half of them are more. */
const minimumBright = 25;
/** Groups of stars of like signal-to-noise ratio, and stars that a group needs. */
const maximumGroups = 6;
const minimumGroups = 3;
const starsPerGroup = 8;
/** Least growth of the squared scatter of both components with 1/SNR²: 4 each, by noise in the sky limit. */
const minimumNoiseSlope = 8;
/** π/2: variance of the median of n normal samples over that of their mean. */
const medianVariance = 1.5708;
/** The squared robust scatter of two components of m values scatters by this over √m of itself. */
const squaredScatterError = 1.65;

/** Typical elongation of a frame's stars. */
export interface TypicalElongation {
  /** Median shape: the part of the elongation that all stars share. */
  readonly mean: readonly [number, number];
  /** Typical size |e| of a star's spin-2 shape, free of the bias that noise gives. */
  readonly chi: number;
  /** Share of the elongation that all stars have in common, 0 … 1. */
  readonly alignment: number;
}

/** Squared robust scatter of the shapes about their median, both components added. */
type Scatter2 = (stars: readonly Star[]) => number;

/**
 * Variance of the stars' shapes beyond noise and pixels; 0 where none is certain. How much noise scatters is asked of
 * the frame itself: squared scatter against 1/SNR² in groups of like SNR is a line, whose slope is the noise (4 a
 * component for Gaussian stars in the sky limit, more for wings, photon noise and coarse pixels) and whose intercept is
 * real, but for what coarse pixels do to equal stars.
 */
function scatterBeyondNoise(sorted: readonly Star[], scatter2: Scatter2, pixelVariance: number): number {
  const n = sorted.length;
  const groups = Math.min(maximumGroups, Math.floor(n / starsPerGroup));
  if (groups < minimumGroups) return 0;
  let sw = 0;
  let sx = 0;
  let sy = 0;
  let sxx = 0;
  let sxy = 0;
  for (let g = 0; g < groups; g++) {
    const group = sorted.slice(Math.floor(g * n / groups), Math.floor((g + 1) * n / groups));
    const x = group.reduce((sum, star) => sum + 1 / star.snr ** 2, 0) / group.length;
    const y = scatter2(group);
    // A squared scatter is known to a share of itself.
    const weight = group.length / Math.max(y, 1e-6) ** 2;
    sw += weight;
    sx += weight * x;
    sy += weight * y;
    sxx += weight * x * x;
    sxy += weight * x * y;
  }
  const determinant = sw * sxx - sx * sx;
  const slope = determinant > 0 ? Math.max(minimumNoiseSlope, (sw * sxy - sx * sy) / determinant) : minimumNoiseSlope;
  const intercept = (sy - slope * sx) / sw;
  const error = squaredScatterError * Math.sqrt(determinant > 0 ? sxx / determinant : 1 / sw);
  const real = intercept - pixelVariance;
  return real > Math.max(2 * error, 0.5 * pixelVariance) ? real : 0;
}

/**
 * Typical elongation of the stars: what they share, and what scatters beyond noise.
 *
 * @param pixelVariance variance of the shapes of equal stars by where they fall on coarse pixels
 */
export function typicalElongation(stars: readonly Star[], pixelVariance: number): TypicalElongation {
  const sorted = [...stars].sort((a, b) => b.snr - a.snr);
  const bright = sorted.slice(0, Math.max(minimumBright, Math.ceil(sorted.length / 2)));
  const e1 = median(bright.map((star) => star.shape[0]));
  const e2 = median(bright.map((star) => star.shape[1]));
  const scatter2: Scatter2 = (list) =>
    madSigma(list.map((star) => star.shape[0] - e1), 0) ** 2 + madSigma(list.map((star) => star.shape[1] - e2), 0) ** 2;
  // The medians themselves are noisy.
  const shared = Math.max(0, e1 * e1 + e2 * e2 - medianVariance * scatter2(bright) / bright.length);
  const chi2 = shared + scatterBeyondNoise(sorted, scatter2, pixelVariance);
  return { mean: [e1, e2], chi: Math.sqrt(chi2), alignment: chi2 > 0 ? Math.sqrt(shared / chi2) : 0 };
}
