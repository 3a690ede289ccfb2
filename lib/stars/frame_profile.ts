/** The mean star of a frame, as a profile over elliptical radius. */
import { fwhmPerSigma } from "../core/constants.ts";
import type { Sampling } from "../core/sampling.ts";
import type { Candidate } from "./candidate.ts";
import { type Ellipse, resolvedVariance } from "./ellipse.ts";
import { fitMoffatProfile, moffatFlux, moffatFwhm, type MoffatProfile } from "./moffat.ts";

/** Width of a bin in units of the star's Gaussian sigma. */
const binWidth = 0.25;
const binCount = 26;
/** Bins in which the highest level of a ring may lie. */
const innerBins = 16;
/** Radius of the core, in sigma: half maximum lies at 1.1 … 1.2. */
const coreRadius = 2.3;
/** The wings are fitted to here, in sigma: beyond, an error of the sky outweighs them. */
const wingRadius = 4;
/** Far out, beyond so many sigma, a sample above this share of the height is a neighbour: no wing reaches it. */
const neighbourRadius = 3;
const maximumWing = 0.25;
/**
 * Flux counts to here, in FWHM: 0.95 of a star's in real air. Further out it rests on the fit to the wings; to 3 FWHM
 * the flux of all stars of a frame changed more from frame to frame (2.0 % against 1.6 % on simulated frames full of
 * nebula).
 */
const apertureRadius = 2;
/** At most this many of the brightest clean stars: their pixels outnumber what three parameters need a hundredfold. */
const maximumStars = 40;
/** Least signal-to-noise ratio of such a star. */
const minimumSnr = 12;
/**
 * A star counts by the square of its signal-to-noise ratio, up to this: beyond it its own peculiarities weigh more
 * than its noise.
 */
const fullWeightSnr = 100;
/** Stars smaller than so many times what pixels resolve share the frame's shape: their own hangs on where they fell. */
const minimumOwnShapeRatio = 2;

/**
 * What is known of beta where the stars do not tell: real telescopes have 2.5 to 4, still air 4.8 (Trujillo et al.
 * 2001, MNRAS 328, 977). Without it the wings of faint stars, fitted to noise, change the flux of all stars of a
 * frame by two per cent.
 */
const expectedBeta = { beta: 3.3, spread: 0.2 };

/** Error of the sky under the stars that all of them may share, in units of the noise of a pixel. */
const skyError = 0.1;
/** What no number of pixels removes, the profile being no Moffat to the last per cent: a share of it, and a level. */
const relativeError = 0.005;
const absoluteError = 0.0015;

/**
 * Profile of a frame's stars, radius in units of the sigma of each star's matched Gaussian, height in units of its
 * height.
 */
export interface FrameProfile {
  /** Mean radius of the pixels in each bin. */
  readonly radius: Float64Array;
  /** Mean sample in each bin; NaN where there was none. */
  readonly value: Float64Array;
  /** Moffat profile through it. */
  readonly moffat: MoffatProfile;
  /** FWHM over the matched sigma. */
  readonly fwhmPerSigma: number;
  /** Flux within 2 FWHM over that of the matched Gaussian, 2π · height · sigma². */
  readonly fluxPerGaussian: number;
  /** Number of stars used. */
  readonly stars: number;
}

/** Profile of a Gaussian: what is assumed when no star is bright enough to tell. */
const gaussianProfile: FrameProfile = Object.freeze({
  radius: new Float64Array(0),
  value: new Float64Array(0),
  moffat: Object.freeze({ height: 1, alpha: Math.sqrt(40), beta: 20 }),
  fwhmPerSigma,
  fluxPerGaussian: 1,
  stars: 0,
});

/** Sums of the samples of many stars by radius. */
interface RadialSums {
  /** Weighted samples in units of the stars' heights. */
  readonly value: Float64Array;
  /** Weighted radii. */
  readonly radius: Float64Array;
  /** Weights. */
  readonly weight: Float64Array;
  /** Variances of the weighted samples by noise. */
  readonly variance: Float64Array;
  /** Error of the weighted samples by the sky, alike for all of them. */
  readonly skyError: Float64Array;
}

/** Add a star's samples to the sums, by radius in units of an ellipse's sigma. */
function addSamples(sums: RadialSums, sampling: Sampling, star: Candidate, ellipse: Ellipse, noise: number): void {
  const { data, width, height, parity } = sampling;
  const { xx, xy, yy } = ellipse;
  const det = xx * yy - xy * xy;
  const ixx = yy / det;
  const ixy = -xy / det;
  const iyy = xx / det;
  const reachX = binWidth * binCount * Math.sqrt(xx);
  const reachY = binWidth * binCount * Math.sqrt(yy);
  const peak = star.height * Math.sqrt((star.xx * star.yy - star.xy * star.xy) / det);
  const weight = Math.min(1, (star.snr / fullWeightSnr) ** 2);
  const variance = (weight * noise / peak) ** 2;
  const error = skyError * weight * noise / peak;
  const step = parity === -1 ? 1 : 2;
  const left = Math.max(0, Math.ceil(star.x - reachX));
  const right = Math.min(width - 1, Math.floor(star.x + reachX));
  const bottom = Math.min(height - 1, Math.floor(star.y + reachY));
  for (let y = Math.max(0, Math.ceil(star.y - reachY)); y <= bottom; y++) {
    const dy = y - star.y;
    for (let x = left + (parity !== -1 && ((left + y) & 1) !== parity ? 1 : 0); x <= right; x += step) {
      const dx = x - star.x;
      const u = Math.sqrt(Math.max(0, ixx * dx * dx + 2 * ixy * dx * dy + iyy * dy * dy));
      const bin = Math.floor(u / binWidth);
      const v = (data[y * width + x] - star.background) / peak;
      if (bin >= binCount || v !== v || (u > neighbourRadius && v > maximumWing)) continue;
      sums.value[bin] += weight * v;
      sums.radius[bin] += weight * u;
      sums.weight[bin] += weight;
      sums.variance[bin] += variance;
      sums.skyError[bin] += error;
    }
  }
}

/** The ellipse that all stars share where pixels are so coarse that the size of one hangs on where it fell on them. */
const sharedEllipse = (sampling: Sampling, frame: Ellipse | null): Ellipse | null =>
  frame !== null &&
    Math.sqrt(frame.xx * frame.yy - frame.xy ** 2) < minimumOwnShapeRatio * resolvedVariance(sampling)
    ? frame
    : null;

/** Pile up the brightest clean stars. */
function radialSums(
  sampling: Sampling,
  stars: readonly Candidate[],
  shared: Ellipse | null,
  noise: number,
): RadialSums {
  const sums: RadialSums = {
    value: new Float64Array(binCount),
    radius: new Float64Array(binCount),
    weight: new Float64Array(binCount),
    variance: new Float64Array(binCount),
    skyError: new Float64Array(binCount),
  };
  for (const star of stars) addSamples(sums, sampling, star, shared ?? star, noise);
  return sums;
}

/**
 * Profile of the brightest clean stars of a frame.
 *
 * @param frame shape of the frame's stars
 * @param noise standard deviation of a pixel
 */
export function frameProfile(
  sampling: Sampling,
  stars: readonly Candidate[],
  frame: Ellipse | null,
  noise: number,
): FrameProfile {
  const clean = stars.filter((star) => star.shaped && !star.saturated && star.snr >= minimumSnr).slice(0, maximumStars);
  if (clean.length === 0) return gaussianProfile;
  const sums = radialSums(sampling, clean, sharedEllipse(sampling, frame), noise);
  const radius = sums.radius.map((each, i) => each / sums.weight[i]);
  const value = sums.value.map((each, i) => each / sums.weight[i]);
  const inverseVariance = value.map((each, i) =>
    1 / ((sums.variance[i] + sums.skyError[i] ** 2) / sums.weight[i] ** 2 + (relativeError * each) ** 2 +
      absoluteError ** 2)
  );

  const fitWithin = (limit: number) => {
    const bins = [...radius.keys()].filter((i) => sums.weight[i] > 0 && radius[i] < limit);
    const of = (each: Float64Array) => bins.map((i) => each[i]);
    return fitMoffatProfile(of(radius), of(value), of(inverseVariance), expectedBeta);
  };
  const moffat = fitWithin(wingRadius);
  if (moffat === null) return gaussianProfile;
  // No telescope's wings are those of its core: the width is read off a fit to the core alone.
  const core = fitWithin(coreRadius) ?? moffat;
  const flux = moffat.height * moffat.alpha ** 2 * moffatFlux(moffat.beta, apertureRadius * moffatFwhm(moffat.beta));
  return {
    radius,
    value,
    moffat,
    fwhmPerSigma: core.alpha * moffatFwhm(core.beta),
    fluxPerGaussian: flux / (2 * Math.PI),
    stars: clean.length,
  };
}

/** Level in the middle of the mean star over the highest level of its profile: 1 for a star, near 0 for a ring. */
export function centralLevel({ value }: FrameProfile): number {
  if (value.length === 0) return 1;
  // The two innermost bins hold few pixels; together they are the core.
  const known = [value[0], value[1]].filter((v) => v === v);
  const centre = known.length === 0 ? 1 : known.reduce((a, b) => a + b) / known.length;
  let highest = 0;
  for (let i = 0; i < value.length && i < innerBins; i++) if (value[i] > highest) highest = value[i];
  return highest > 0 ? Math.min(1, centre / highest) : 1;
}
