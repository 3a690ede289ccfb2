/** What a deconvolution measures on a whole image: the point-spread function and the noise of each plane. */
import type { Image } from "../core/image.ts";
import { meanPlane } from "../core/mean_plane.ts";
import { returnPlane } from "../core/memory.ts";
import { type Raster, rastersOf } from "../core/raster.ts";
import type { Star } from "../core/star.ts";
import { starletGains, withoutGaps } from "../filters/starlet.ts";
import type { PointSpread } from "../kernels/convolve.ts";
import { detectStars } from "../stars/detect_stars.ts";
import { typicalShape } from "../stars/subtract_stars.ts";
import { measurePsf } from "../stars/measure_psf.ts";
import { ellipticalDistance, likelyBeta, placeOf, psfAt, psfRadius } from "../stars/psf.ts";
import { findSaturatedTops } from "../stars/saturated_tops.ts";
import type { DetailNoise } from "./detail_noise.ts";
import { type MeasuredOn, measuredOn } from "./measured.ts";
import { pointSpread } from "./richardson_lucy.ts";
import { measureDetailNoise } from "./significant_details.ts";

/** Scales of 1 … 8 pixels, in which the residual is looked at: blur of stars reaches no further. */
export const residualScales = 4;
/** Share of its centre at which a point-spread function ends, and its furthest radius, in FWHM and in pixels. */
const minimumPsfBrightness = 0.002;
export const furthestPsfInFwhm = 3;
export const maximumPsfRadius = 24;

/** A point-spread function as plain numbers: weights by their offset, those at opposite offsets given once. */
export interface PsfWeights {
  /** Furthest offset along either axis, pixels. */
  readonly radius: number;
  /** Weight of the centre. */
  readonly centre: number;
  /** Offsets along columns. */
  readonly x: readonly number[];
  /** Offsets along rows. */
  readonly y: readonly number[];
  /** Weight of each of the two. */
  readonly weights: readonly number[];
}

/** A star whose top is cut. */
export interface SaturatedStar {
  /** Column in the image that was measured. */
  readonly x: number;
  /** Row in that image. */
  readonly y: number;
  /** Radius of the top, pixels. */
  readonly radius: number;
}

/** How one plane was blurred. */
export interface PlaneBlur {
  /** Point-spread function. */
  readonly psf: PsfWeights;
  /** Noise of the details. */
  readonly noise: DetailNoise;
}

/** What {@linkcode deconvolve} measures on a whole image. */
export interface DeconvolveMeasures extends MeasuredOn {
  /** Full width at half maximum of the stars, pixels. */
  readonly fwhmPixels: number;
  /** Stars it was measured on. */
  readonly starCount: number;
  /** Stars with cut tops. */
  readonly saturated: readonly SaturatedStar[];
  /** Blur of each plane. */
  readonly blurs: readonly PlaneBlur[];
}

/** Standard deviation of a sample, from the noise of its details. */
export const sampleNoise = ({ sigmas }: DetailNoise): number =>
  sigmas[0] > 0 ? sigmas[0] / starletGains[0] : Number.MIN_VALUE;

/** A point-spread function as the convolution takes it. */
export const kernelOf = ({ radius, centre, x, y, weights }: PsfWeights): PointSpread => ({
  radius,
  middle: centre,
  x: Int32Array.from(x),
  y: Int32Array.from(y),
  weights: Float32Array.from(weights),
});

/** The point-spread function that the stars of a plane show; null when none does. */
function weightsOf(
  raster: Raster,
  stars: readonly Star[],
  fwhm: number,
  beta: number,
  noise: number,
): PsfWeights | null {
  const brightest = stars.find((star) => !star.saturated);
  if (brightest === undefined) return null;
  const shape = typicalShape(stars);
  const psf = measurePsf(raster, stars, { fwhm, beta, shape }, noise);
  if (psf === null) return null;
  const reach = Math.min(maximumPsfRadius, psfRadius(psf, minimumPsfBrightness, furthestPsfInFwhm * fwhm));
  // A star whose own shape is not measured well takes the typical one.
  const place = placeOf({ ...brightest, snr: 0 }, fwhm, shape);
  const { radius, middle, x, y, weights } = pointSpread(Math.ceil(reach), (dx, dy) => {
    const r = ellipticalDistance(place, dx, dy);
    return r > reach ? 0 : Math.max(0, psfAt(psf, r));
  });
  return { radius, centre: middle, x: [...x], y: [...y], weights: [...weights] };
}

/**
 * The blur and the noise of an image's planes. The stars are found on the mean of the planes; a plane whose own stars
 * do not show its point-spread function takes that of the mean.
 *
 * @throws {RangeError} if no stars show the blur
 */
export function measureBlur(image: Image, saturationLevel: number | null): DeconvolveMeasures {
  const { width, height, planes } = image;
  const mean = { data: meanPlane(image), width, height };
  const { stars, fwhmPixels, moffatBeta, noise } = detectStars(
    { ...image, planes: [{ channel: "L", data: mean.data }], geometry: { ...image.geometry, bayer: null } },
    { saturationLevel },
  );
  const tops = findSaturatedTops(mean, fwhmPixels, saturationLevel ?? Infinity);
  const saturated = [...stars.filter((star) => star.saturated), ...tops];
  const beta = likelyBeta(moffatBeta);
  const common = weightsOf(mean, stars, fwhmPixels, beta, noise);
  if (common === null) {
    throw new RangeError(
      "deconvolve: stars must show the blur, but no unsaturated star was found; apply it before stars are taken out",
    );
  }
  const blurs = rastersOf(image).map((raster): PlaneBlur => {
    const details = measureDetailNoise({ ...raster, data: withoutGaps(raster.data) }, residualScales);
    const own = planes.length === 1 ? common : weightsOf(raster, stars, fwhmPixels, beta, sampleNoise(details));
    return { psf: own ?? common, noise: details };
  });
  if (planes.length > 1) returnPlane(mean.data);
  return {
    ...measuredOn(image),
    fwhmPixels,
    starCount: stars.length,
    saturated: saturated.map(({ x, y, halfFluxRadiusPixels }) => ({ x, y, radius: halfFluxRadiusPixels })),
    blurs,
  };
}
