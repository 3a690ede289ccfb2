/** Less noise where nothing but noise is. */
import { allocatePlane, derive, type Image, requireImage } from "../core/image.ts";
import { meanPlane } from "../core/mean_plane.ts";
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { settle } from "../core/options.ts";
import { type Raster, rastersOf } from "../core/raster.ts";
import type { DetailNoise } from "./detail_noise.ts";
import {
  type MeasuredOn,
  measuredOn,
  offsetWithin,
  partMeasured,
  recordedOptions,
  type WithMeasures,
} from "./measured.ts";
import { addPlanes, subtractPlanes } from "./plane_arithmetic.ts";
import { speckNoise, speckReach, withoutSpecks } from "./remove_specks.ts";
import { measureDetailNoise, significanceReach, significantDetails } from "./significant_details.ts";

/** Options of {@linkcode reduceNoise}. */
export interface ReduceNoiseOptions {
  /** Details below this many standard deviations of their scale's noise are taken for noise. */
  readonly thresholdSigma: number;
  /** The same for differences between channels, where the eye sees noise first and detail last. */
  readonly colourThresholdSigma: number;
  /** Scales that are cleaned: 1, 2, 4 … pixels. */
  readonly scales: number;
  /** Share of what is taken away that stays as grain, 0 … 1. */
  readonly grain: number;
  /**
   * Whether single samples that stand out as no star can (hot or dead pixels that stacking left) are replaced first.
   */
  readonly specks: boolean;
}

/**
 * What {@linkcode reduceNoise} uses for an option left out. Three standard deviations and four for colour gave the
 * least error against an independent half of the night, on both demo nights (of 2.5, 3, 4 and 3, 4, 5); five scales,
 * up to 16 pixels, as far as the eye takes noise for grain; a fifth of the grain stays, by our own judgement, because
 * surfaces without any look like wax.
 */
export const reduceNoiseDefaults: Readonly<ReduceNoiseOptions> = Object.freeze({
  thresholdSigma: 3,
  colourThresholdSigma: 4,
  scales: 5,
  grain: 0.2,
  specks: true,
});

/** What {@linkcode reduceNoise} measures on a whole image. */
export interface ReduceNoiseMeasures extends MeasuredOn {
  /** Noise of a sample of each plane; empty where no specks are looked for. */
  readonly specks: readonly number[];
  /** Noise of the details of the planes' mean. */
  readonly mean: DetailNoise;
  /** Noise of the details of each plane's difference from it; empty for a single plane. */
  readonly differences: readonly DetailNoise[];
}

/** Scales more in which the differences are cleaned: the eye sees noise there first and detail last. */
const moreColourScales = 1;

function settleOptions(options: Partial<ReduceNoiseOptions>): Readonly<ReduceNoiseOptions> {
  const used = settle("reduceNoise", reduceNoiseDefaults, options);
  const { thresholdSigma, colourThresholdSigma, scales, grain } = used;
  if (!(thresholdSigma >= 0)) {
    throw new RangeError(`reduceNoise: thresholdSigma must be ≥ 0, but got ${thresholdSigma}`);
  }
  if (!(colourThresholdSigma >= 0)) {
    throw new RangeError(`reduceNoise: colourThresholdSigma must be ≥ 0, but got ${colourThresholdSigma}`);
  }
  if (!(Number.isInteger(scales) && scales >= 1 && scales <= 7)) {
    throw new RangeError(`reduceNoise: scales must be a whole number of 1 … 7, but got ${scales}`);
  }
  if (!(grain >= 0 && grain <= 1)) throw new RangeError(`reduceNoise: grain must lie within 0 … 1, but got ${grain}`);
  return used;
}

/**
 * Distance in pixels from which samples have a part in what {@linkcode reduceNoise} makes of one: a patch with that
 * margin and the whole's measures equals the whole (where no gap without data begins in the margin).
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { reduceNoiseMargin } from "faintlight/extend";
 *
 * assert.equal(reduceNoiseMargin({ scales: 5, specks: true }), 1 + 2 * (2 ** 6 - 1) + 2 ** 6);
 * ```
 */
export function reduceNoiseMargin(options: Partial<ReduceNoiseOptions> = {}): number {
  const { scales, specks } = settleOptions(options);
  return (specks ? speckReach : 0) + significanceReach(scales + moreColourScales);
}

/** The mean of planes that stand for those of an image. */
const meanOf = (image: Image, sources: readonly Raster[]): Float32Array =>
  meanPlane({ ...image, planes: image.planes.map((plane, c) => ({ ...plane, data: sources[c].data })) });

/** The planes, without specks where these are looked for; borrowed planes then. */
function speckFree(image: Image, specks: boolean, noises: readonly number[] | null): Raster[] {
  return rastersOf(image).map((raster, c) =>
    specks ? { ...raster, data: withoutSpecks(raster, noises?.[c] ?? speckNoise(raster)) } : raster
  );
}

/**
 * What {@linkcode reduceNoise} measures on an image, to be handed in with patches of it.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, cropImage, reduceNoise } from "faintlight";
 * import { reduceNoiseMeasures } from "faintlight/extend";
 *
 * const options = { scales: 3 };
 * const image = constantImage(40, 30, 7);
 * const patch = cropImage(image, { x: 10, y: 10, width: 20, height: 10 });
 * const made = reduceNoise(patch, { measured: reduceNoiseMeasures(image, options), ...options });
 * assert.equal(made.planes[0].data[0], 7);
 * ```
 */
export function reduceNoiseMeasures(image: Image, options: Partial<ReduceNoiseOptions> = {}): ReduceNoiseMeasures {
  const { scales, specks } = settleOptions(options);
  const { width, height } = image;
  const noises = specks ? rastersOf(image).map(speckNoise) : [];
  const sources = speckFree(image, specks, noises);
  const mean = meanOf(image, sources);
  const several = sources.length > 1;
  const noise = measureDetailNoise({ data: mean, width, height }, scales);
  const difference = { data: borrowPlane(width * height), width, height };
  const differences = several
    ? sources.map(({ data }) => {
      subtractPlanes(image, data, mean, difference.data);
      return measureDetailNoise(difference, scales + moreColourScales);
    })
    : [];
  returnPlane(difference.data);
  if (several) returnPlane(mean);
  if (specks) sources.forEach(({ data }) => returnPlane(data));
  return { ...measuredOn(image), specks: noises, mean: noise, differences };
}

/**
 * Reduce noise by scale: the image is parted into details of 1, 2, 4 … pixels (starlet), the noise of each scale is
 * measured on the image itself where it is quietest, and its growth from place to place on the finest scale, so that
 * noise correlated by resampling and the noise of a bright nebula are known for what they are; details that do not
 * stand out of it in their neighbourhood are taken down. With several planes their mean and the differences from it
 * are cleaned apart, the differences more strongly.
 *
 * In:  any unit, best linear. Out: same shape and unit; NaN stays NaN. The variance is dropped: it is no longer known.
 * Cost: about 0.1 s a megapixel and plane. Method: Starck & Murtagh 2002; local significance in place of single
 * coefficients after Starck, Murtagh & Bijaoui 1998.
 *
 * @param image the image
 * @param options how much; and `measured`, the measures of a whole image ({@linkcode reduceNoiseMeasures}) where
 * `image` is a patch of it
 * @throws {RangeError} if an option is out of range, or the image no patch of the one that was measured
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { reduceNoise } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(4), data = Float32Array.from({ length: 10000 }, () => 100 + 5 * random.gaussian());
 * const out = reduceNoise(createImage({ width: 100, height: 100, unit: "adu", planes: [{ channel: "L", data }] }));
 * const spread = Math.sqrt(out.planes[0].data.reduce((sum, v) => sum + (v - 100) ** 2, 0) / 10000);
 * assert.ok(spread < 2);
 * ```
 */
export function reduceNoise(
  image: Image,
  options: Partial<ReduceNoiseOptions> & WithMeasures<ReduceNoiseMeasures> = {},
): Image {
  requireImage("reduceNoise", image);
  const { measured, options: given } = partMeasured<ReduceNoiseMeasures, ReduceNoiseOptions>(options);
  const used = settleOptions(given);
  const { specks } = used;
  const sources = speckFree(image, specks, measured?.specks ?? null);
  const data = cleaned(image, sources, used, measured);
  if (specks) sources.forEach((source) => returnPlane(source.data));
  const planes = image.planes.map(({ channel }, c) => ({ channel, data: data[c] }));
  return derive(image, { planes, variance: null }, {
    step: "reduceNoise",
    options: recordedOptions(used, measured),
  });
}

/** The planes with the details of mean and differences taken down where they are noise. */
function cleaned(
  image: Image,
  sources: readonly Raster[],
  { thresholdSigma, colourThresholdSigma, scales, grain }: Readonly<ReduceNoiseOptions>,
  measured: ReduceNoiseMeasures | null,
): Float32Array[] {
  const { width, height } = image;
  const display = image.unit === "display";
  const offset = measured === null ? null : offsetWithin("reduceNoise", image, measured);
  const known = (noise?: DetailNoise) => noise === undefined || offset === null ? null : { noise, offset };
  const out = sources.map(() => allocatePlane(width, height));
  const mean = meanOf(image, sources);
  const settings = { scales, threshold: thresholdSigma, grain };
  const main = significantDetails({ data: mean, width, height }, settings, known(measured?.mean));
  if (sources.length === 1) {
    addPlanes(image, [main.details, main.rest], out[0], { gaps: sources[0].data, display });
    for (const plane of [main.details, main.rest]) returnPlane(plane);
    return out;
  }
  const cleanMean = borrowPlane(width * height);
  addPlanes(image, [main.details, main.rest], cleanMean, { gaps: null, display: false });
  for (const plane of [main.details, main.rest]) returnPlane(plane);
  const difference = { data: borrowPlane(width * height), width, height };
  const colour = { scales: scales + moreColourScales, threshold: colourThresholdSigma, grain: 0 };
  sources.forEach(({ data }, c) => {
    subtractPlanes(image, data, mean, difference.data);
    const { details, rest } = significantDetails(difference, colour, known(measured?.differences[c]));
    addPlanes(image, [details, rest, cleanMean], out[c], { gaps: data, display });
    for (const plane of [details, rest]) returnPlane(plane);
  });
  for (const plane of [cleanMean, difference.data, mean]) returnPlane(plane);
  return out;
}
