/** More contrast in details that are there. */
import { allocatePlane, derive, type Image, requireImage } from "../core/image.ts";
import { meanPlane } from "../core/mean_plane.ts";
import { settle } from "../core/options.ts";
import { quietNoise, starlet, starletReach } from "../filters/starlet.ts";
import { partMeasured, recordedOptions, type WithMeasures } from "./measured.ts";

/** Options of {@linkcode enhanceDetail}. */
export interface EnhanceDetailOptions {
  /** Gain of each scale, 1, 2, 4 … pixels; 1 leaves a scale as it is. */
  readonly gains: readonly number[];
  /** A detail counts from this many standard deviations of its scale's noise, and in full from twice that. */
  readonly thresholdSigma: number;
}

/**
 * What {@linkcode enhanceDetail} uses for an option left out: a quarter more at 4 to 16 pixels, where filaments are,
 * and nothing at the scale of stars, which would gain dark rings; details of two standard deviations begin to count.
 */
export const enhanceDetailDefaults: Readonly<EnhanceDetailOptions> = Object.freeze({
  gains: Object.freeze([1, 1, 1.15, 1.3, 1.25]),
  thresholdSigma: 2,
});

/** What {@linkcode enhanceDetail} measures on a whole image. */
export interface EnhanceDetailMeasures {
  /** Standard deviation of the noise in each scale where it is least, from the finest. */
  readonly noiseByScale: readonly number[];
}

function settleOptions(options: Partial<EnhanceDetailOptions>): Readonly<EnhanceDetailOptions> {
  const used = settle("enhanceDetail", enhanceDetailDefaults, options);
  const { gains, thresholdSigma } = used;
  if (gains.length === 0 || gains.length > 8 || gains.some((g) => !(g >= 0 && g <= 4))) {
    throw new RangeError(`enhanceDetail: gains must be one to eight numbers of 0 … 4, but got ${gains.join(", ")}`);
  }
  if (!(thresholdSigma > 0)) {
    throw new RangeError(`enhanceDetail: thresholdSigma must be > 0, but got ${thresholdSigma}`);
  }
  return used;
}

/**
 * Distance in pixels from which samples have a part in what {@linkcode enhanceDetail} makes of one: a patch with that
 * margin and the whole's measures equals the whole (where no gap without data begins in the margin).
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { enhanceDetailMargin } from "faintlight/extend";
 *
 * assert.equal(enhanceDetailMargin({ gains: [1, 1.2, 1.2] }), 14);
 * ```
 */
export const enhanceDetailMargin = (options: Partial<EnhanceDetailOptions> = {}): number =>
  starletReach(settleOptions(options).gains.length);

/**
 * What {@linkcode enhanceDetail} measures on an image, to be handed in with patches of it.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, cropImage, enhanceDetail } from "faintlight";
 * import { enhanceDetailMeasures } from "faintlight/extend";
 *
 * const options = { gains: [1, 1.5] };
 * const image = constantImage(40, 30, 7);
 * const patch = cropImage(image, { x: 10, y: 10, width: 20, height: 10 });
 * const made = enhanceDetail(patch, { measured: enhanceDetailMeasures(image, options), ...options });
 * assert.equal(made.planes[0].data[0], 7);
 * ```
 */
export function enhanceDetailMeasures(
  image: Image,
  options: Partial<EnhanceDetailOptions> = {},
): EnhanceDetailMeasures {
  const { gains } = settleOptions(options);
  const { width, height } = image;
  return { noiseByScale: quietNoise(starlet(meanPlane(image), width, height, gains.length).scales, width, height) };
}

/**
 * Raise details by scale, gated by their significance: detail · (1 + (gain − 1) s), s from 0 to 1 between one and two
 * thresholds of the scale's own noise. The mean of the planes is enhanced and the change added to all, so that colours
 * keep their differences.
 *
 * In:  any unit, best a picture without stars. Out: same shape and unit, pictures held to 0 … 1; NaN stays NaN.
 * Gains of 1 return the input. Cost: about 0.1 s a megapixel.
 * Method: starlet (Starck & Murtagh 2002) with gains.
 *
 * @param image the image
 * @param options how much; and `measured`, the measures of a whole image ({@linkcode enhanceDetailMeasures}) where
 * `image` is a patch of it
 * @throws {RangeError} if an option is out of range
 *
 * @example Noise alone is left as it is
 * ```ts
 * import assert from "node:assert/strict";
 * import { enhanceDetail } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(4), data = Float32Array.from({ length: 10000 }, () => 100 + 5 * random.gaussian());
 * const image = createImage({ width: 100, height: 100, unit: "adu", planes: [{ channel: "L", data }] });
 * const out = enhanceDetail(image).planes[0].data;
 * assert.ok(Math.sqrt(out.reduce((sum, v, i) => sum + (v - data[i]) ** 2, 0) / 10000) < 0.2);
 * ```
 */
export function enhanceDetail(
  image: Image,
  options: Partial<EnhanceDetailOptions> & WithMeasures<EnhanceDetailMeasures> = {},
): Image {
  requireImage("enhanceDetail", image);
  const { measured, options: given } = partMeasured<EnhanceDetailMeasures, EnhanceDetailOptions>(options);
  const used = settleOptions(given);
  const change = changeOf(image, used, measured);
  const picture = image.unit === "display";
  const planes = image.planes.map(({ channel, data }) => {
    const out = allocatePlane(image.width, image.height);
    for (let i = 0; i < out.length; i++) {
      const v = data[i] + change[i];
      out[i] = picture ? (v < 0 ? 0 : v > 1 ? 1 : v) : v;
    }
    return { channel, data: out };
  });
  return derive(image, { planes, variance: null }, {
    step: "enhanceDetail",
    options: recordedOptions(used, measured),
  });
}

/** What is added to every plane: the details of their mean, by gain and significance. */
function changeOf(
  image: Image,
  { gains, thresholdSigma }: Readonly<EnhanceDetailOptions>,
  measured: EnhanceDetailMeasures | null,
): Float32Array {
  const { width, height } = image;
  const { scales } = starlet(meanPlane(image), width, height, gains.length);
  const noises = measured?.noiseByScale ?? quietNoise(scales, width, height);
  const change = new Float32Array(width * height);
  scales.forEach((detail, j) => {
    if (gains[j] === 1) return;
    // Without noise every detail counts.
    const noise = noises[j];
    const scale = noise > 0 ? 1 / (thresholdSigma * noise) : Number.MAX_VALUE;
    for (let i = 0; i < change.length; i++) {
      const u = Math.max(0, Math.min(1, Math.abs(detail[i]) * scale - 1));
      change[i] += detail[i] * (gains[j] - 1) * u * u * (3 - 2 * u);
    }
  });
  return change;
}
