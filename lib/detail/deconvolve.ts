/** Deconvolution: the blur of seeing and optics taken back, as far as the noise allows. */
import type { Point } from "../core/geometry.ts";
import { allocatePlane, derive, type Image, requireLinear } from "../core/image.ts";
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { settle } from "../core/options.ts";
import { boxAbout, type Raster, rastersOf } from "../core/raster.ts";
import { gaussianSmooth } from "../filters/gaussian.ts";
import { starletReach, withoutGaps } from "../filters/starlet.ts";
import { gaussianTaps } from "../kernels/blur.ts";
import { extremumPlane } from "../kernels/extremum_filter.ts";
import { judgingDetails, significanceReach } from "./significant_details.ts";
import { offsetWithin, partMeasured, recordedOptions, type WithMeasures } from "./measured.ts";
import { restorePlane } from "./richardson_lucy.ts";
import {
  type DeconvolveMeasures,
  furthestPsfInFwhm,
  kernelOf,
  maximumPsfRadius,
  measureBlur,
  type PlaneBlur,
  residualScales,
  sampleNoise,
  type SaturatedStar,
} from "./measure_blur.ts";

/** Options of {@linkcode deconvolve}. */
export interface DeconvolveOptions {
  /** Iterations: each brings the image nearer to one that, blurred, gives what was seen. */
  readonly iterations: number;
  /** A residual counts where the image stands out of its scale's noise by this many standard deviations. */
  readonly thresholdSigma: number;
  /** How far the image is moved towards the result, 0 … 1. */
  readonly strength: number;
  /**
   * Samples at or above this level are saturated, in the unit of the image; null when not known (clipped tops are seen
   * all the same).
   */
  readonly saturationLevel: number | null;
}

/**
 * What {@linkcode deconvolve} uses for an option left out. Ten iterations take stars of 3 pixels down to 2.2 to 2.3 on
 * simulated fields, with noise up by 3 to 5 % at 2 and 4 pixels, no ring deeper than three standard deviations and the
 * nebula's flux within 0.3 %; twenty take them to 1.75, finer than pixels can show. Three standard deviations, as for
 * other details.
 */
export const deconvolveDefaults: Readonly<DeconvolveOptions> = Object.freeze({
  iterations: 10,
  thresholdSigma: 3,
  strength: 1,
  saturationLevel: null,
});

/** Radius of the discs whose darkest places are the ground under the stars, and width of its smoothing, in FWHM. */
const groundInFwhm = 3;
/** Width of the smoothing that takes noise off before the darkest places are looked for, pixels. */
const groundSmoothingPixels = 1;
/** Depth of the ground below those places, in standard deviations of the noise. */
const groundDepth = 2;
/** Least brightness above the ground that a sample counts, in standard deviations of the noise. */
const minimumBrightness = 0.1;
/** FWHM of the widest stars whose point-spread function is not cut short, pixels. */
const maximumFwhm = maximumPsfRadius / furthestPsfInFwhm;

function settleOptions(options: Partial<DeconvolveOptions>): Readonly<DeconvolveOptions> {
  const used = settle("deconvolve", deconvolveDefaults, options);
  const { iterations, thresholdSigma, strength } = used;
  if (!(Number.isInteger(iterations) && iterations >= 1 && iterations <= 100)) {
    throw new RangeError(`deconvolve: iterations must be a whole number of 1 … 100, but got ${iterations}`);
  }
  if (!(thresholdSigma >= 0)) {
    throw new RangeError(`deconvolve: thresholdSigma must be ≥ 0, but got ${thresholdSigma}`);
  }
  if (!(strength >= 0 && strength <= 1)) {
    throw new RangeError(`deconvolve: strength must lie within 0 … 1, but got ${strength}`);
  }
  return used;
}

/**
 * Distance in pixels from which samples have a part in what {@linkcode deconvolve} makes of one: a patch with that
 * margin and the whole's measures equals the whole (where no gap without data begins in the margin). Each iteration
 * convolves twice and looks at the residual's details; before them lies the search for the ground.
 *
 * @param fwhmPixels width of the stars, as measured; the margin is shorter for narrower ones
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { deconvolveMargin } from "faintlight/extend";
 *
 * assert.ok(deconvolveMargin({ iterations: 5 }, 2.5) < deconvolveMargin({ iterations: 10 }, 2.5));
 * ```
 */
export function deconvolveMargin(
  options: Partial<DeconvolveOptions> = {},
  fwhmPixels: number = maximumFwhm,
): number {
  const { iterations } = settleOptions(options);
  const psf = Math.min(maximumPsfRadius, Math.ceil(furthestPsfInFwhm * fwhmPixels));
  const smoothing = (sigma: number) => gaussianTaps(sigma).length - 1;
  const ground = smoothing(groundSmoothingPixels) + Math.ceil(groundInFwhm * fwhmPixels) +
    smoothing(groundInFwhm * fwhmPixels);
  const iteration = 2 * psf + starletReach(residualScales);
  return Math.max(ground, significanceReach(residualScales)) + iterations * iteration;
}

/**
 * What {@linkcode deconvolve} measures on an image, to be handed in with patches of it.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { randomStream } from "faintlight/stats";
 * import { createImage, deconvolveMeasures } from "faintlight/extend";
 *
 * const random = randomStream(2), data = Float32Array.from({ length: 96 * 96 }, () => 500 + 5 * random.gaussian());
 * for (let i = 0; i < data.length; i++) {
 *   data[i] += 1500 * Math.exp(-((i % 96 - 40.3) ** 2 + (Math.floor(i / 96) - 50.2) ** 2) / 5);
 * }
 * const image = createImage({ width: 96, height: 96, unit: "adu", planes: [{ channel: "L", data }] });
 * assert.ok(Math.abs(deconvolveMeasures(image).fwhmPixels - 2 * Math.sqrt(5 * Math.LN2)) < 0.3);
 * ```
 */
export function deconvolveMeasures(image: Image, options: Partial<DeconvolveOptions> = {}): DeconvolveMeasures {
  const { saturationLevel } = settleOptions(options);
  requireLinear("deconvolve", image);
  return measureBlur(image, saturationLevel);
}

/**
 * Deconvolution: take back what seeing, focus and guiding blurred. The point-spread function is measured on the stars
 * of each plane, and an image looked for that, convolved with it, gives what was seen. Of the residual only what stands
 * out of the noise counts, so that noise is not drawn into grain and the iterations end by themselves where nothing
 * significant is left. No sample becomes darker than the darkest within three FWHM of it was before (noise smoothed
 * away), which holds dark rings about stars back; cut stars and their surroundings stay as they are, because what they
 * lost is not known.
 *
 * In:  linear, stars in it (apply it before they are taken out). Out: same shape and unit; NaN stays NaN. The variance
 * is dropped: noise is no longer that of independent samples. Brightness is kept as a whole and moved between
 * neighbours: measure photometry before. Cost: about 0.15 s of processor time an iteration for 2 megapixels and stars
 * of 3 pixels, on all workers; more for wider ones. Method: Richardson 1972, JOSA 62, 55; Lucy 1974, AJ 79, 745; noise
 * after Murtagh, Starck & Bijaoui 1995, A&AS 112, 179. The hold on dark rings is our own.
 *
 * @param image the image
 * @param options how much; and `measured`, the measures of a whole image ({@linkcode deconvolveMeasures}) where `image`
 * is a patch of it
 * @throws {TypeError} if the image is a stretched picture
 * @throws {RangeError} if an option is out of range, no stars show the blur, or the image is no patch of the one that
 * was measured
 *
 * @example Stars become narrower, and the sky no noisier
 * ```ts
 * import assert from "node:assert/strict";
 * import { detectStars, deconvolve } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(2), data = Float32Array.from({ length: 160 * 160 }, () => 500 + 5 * random.gaussian());
 * for (let k = 0; k < 12; k++) {
 *   const [cx, cy] = [20 + 38 * (k % 4) + 0.3 * k, 25 + 50 * Math.floor(k / 4)];
 *   for (let i = 0; i < data.length; i++) {
 *     data[i] += 1500 * Math.exp(-((i % 160 - cx) ** 2 + (Math.floor(i / 160) - cy) ** 2) / 5);
 *   }
 * }
 * const image = createImage({ width: 160, height: 160, unit: "adu", planes: [{ channel: "L", data }] });
 * const sharper = deconvolve(image);
 * assert.ok(detectStars(sharper).fwhmPixels < 0.85 * detectStars(image).fwhmPixels);
 * ```
 */
export function deconvolve(
  image: Image,
  options: Partial<DeconvolveOptions> & WithMeasures<DeconvolveMeasures> = {},
): Image {
  const { measured, options: given } = partMeasured<DeconvolveMeasures, DeconvolveOptions>(options);
  const used = settleOptions(given);
  requireLinear("deconvolve", image);
  const measures = measured ?? measureBlur(image, used.saturationLevel);
  const { fwhmPixels, starCount, saturated, blurs } = measures;
  const offset = offsetWithin("deconvolve", image, measures);
  const planes = rastersOf(image).map((raster, c) => {
    const out = sharpened(raster, { blur: blurs[c], fwhm: fwhmPixels, offset }, used);
    for (const star of saturated) keepAbout({ ...raster, data: out }, raster.data, star, fwhmPixels, offset);
    return { channel: image.planes[c].channel, data: out };
  });
  return derive(image, { planes, variance: null }, {
    step: "deconvolve",
    options: recordedOptions(used, measured),
    notes: [
      `stars of ${fwhmPixels.toFixed(2)} px on ${starCount} stars`,
      `${saturated.length} cut stars left as they were`,
    ],
  });
}

/** How a plane was blurred, and where it lies in the image that was measured. */
interface PatchBlur {
  readonly blur: PlaneBlur;
  readonly fwhm: number;
  readonly offset: Point;
}

/**
 * All that lies smoothly under the stars, nebula and sky, down to a little below the least that noise makes of nothing:
 * brightness cannot be negative, and nothing else keeps the iterations from digging dark rings about stars. A borrowed
 * plane.
 */
function groundUnder({ data, width, height }: Raster, fwhm: number, noise: number): Float32Array {
  const smooth = gaussianSmooth(data, width, height, groundSmoothingPixels);
  const low = extremumPlane(smooth, width, height, groundInFwhm * fwhm, "lowest");
  const ground = gaussianSmooth(low, width, height, groundInFwhm * fwhm);
  for (let i = 0; i < ground.length; i++) ground[i] = Math.min(ground[i], low[i]) - groundDepth * noise;
  returnPlane(smooth);
  returnPlane(low);
  return ground;
}

/** One plane deconvolved. */
function sharpened(
  raster: Raster,
  { blur, fwhm, offset }: PatchBlur,
  { iterations, thresholdSigma, strength }: Readonly<DeconvolveOptions>,
): Float32Array {
  const { data, width, height } = raster;
  const whole = { data: withoutGaps(data), width, height };
  const noise = sampleNoise(blur.noise);
  const judges = judgingDetails(whole, residualScales, { noise: blur.noise, offset });
  const ground = groundUnder(whole, fwhm, noise);
  const seen = { data: borrowPlane(data.length), width, height };
  for (let i = 0; i < data.length; i++) {
    seen.data[i] = Math.max(whole.data[i] - ground[i], minimumBrightness * noise);
  }
  const restored = restorePlane(seen, kernelOf(blur.psf), iterations, { judges, threshold: thresholdSigma });
  const out = allocatePlane(width, height);
  for (let i = 0; i < data.length; i++) out[i] = data[i] + strength * (restored[i] + ground[i] - data[i]);
  for (const plane of [seen.data, judges.weights, ...judges.scales, restored, ground]) returnPlane(plane);
  return out;
}

/**
 * How much of the result is taken at a distance from a cut star, over the radius of its top and width: none within 1,
 * all from 2 on.
 *
 * @param out the result, changed in place
 * @param data the plane as it was
 * @param offset where the plane lies in the image that the star's place is given in
 */
function keepAbout(out: Raster, data: Float32Array, star: SaturatedStar, fwhm: number, offset: Point): void {
  const inner = Math.max(star.radius, 0.5 * fwhm) + 1.5 * fwhm;
  const outer = 2 * inner;
  const { x0, x1, y0, y1 } = boxAbout(out, star.x - offset.x, star.y - offset.y, outer);
  for (let y = y0; y <= y1; y++) {
    for (let x = x0; x <= x1; x++) {
      const dx = x + offset.x - star.x;
      const dy = y + offset.y - star.y;
      const r = Math.sqrt(dx * dx + dy * dy);
      const i = y * out.width + x;
      const u = Math.max(0, Math.min(1, (r - inner) / (outer - inner)));
      const share = u * u * (3 - 2 * u);
      out.data[i] = data[i] + share * (out.data[i] - data[i]);
    }
  }
}
