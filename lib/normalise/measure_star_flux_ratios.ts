/** Flux ratios of the stars that two registered images share. */
import { type Image, requireLinear, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { detectStars } from "../stars/detect_stars.ts";
import type { StarFluxRatio } from "./find_cloud.ts";

/** Options of {@linkcode measureStarFluxRatios}. */
export interface MeasureStarFluxRatiosOptions {
  /** Channel that is measured; null for the first. */
  readonly channel: string | null;
  /** Least signal-to-noise ratio of a star in both images. */
  readonly minimumSnr: number;
  /** How far apart the two images may show a star, pixels. */
  readonly tolerance: number;
}

/**
 * What {@linkcode measureStarFluxRatios} uses for an option left out: stars whose flux is known to 3 % each, within the
 * width of a small star.
 */
export const measureStarFluxRatiosDefaults: Readonly<MeasureStarFluxRatiosOptions> = Object.freeze({
  channel: null,
  minimumSnr: 30,
  tolerance: 1.5,
});

/**
 * Measure how bright each star of one image is against another: what {@linkcode fitNormalisation} takes as `stars` to
 * match the contrast of two nights or two rigs.
 *
 * In:  two linear images on one grid. Cut stars are left out. Cost: two star detections.
 *
 * @returns one entry a star that both show, ratio = image / reference, weight by signal-to-noise ratio
 * @throws {TypeError} if an image is a stretched picture or lacks the channel
 * @throws {RangeError} if sizes differ or an option is out of range
 *
 * @example A night at 80 % of the transparency
 * ```ts
 * import assert from "node:assert/strict";
 * import { createImage } from "faintlight/extend";
 * import { measureStarFluxRatios } from "faintlight/parts";
 * import { median, randomStream } from "faintlight/stats";
 *
 * const night = (light: number, seed: number) => {
 *   const random = randomStream(seed), data = Float32Array.from({ length: 200 * 200 }, (_, i) => {
 *     const x = i % 200 % 40 - 20.2, y = Math.floor(i / 200) % 40 - 19.6;
 *     return 100 + 2 * random.gaussian() + light * 3000 * Math.exp(-(x * x + y * y) / 5);
 *   });
 *   return createImage({ width: 200, height: 200, unit: "adu", planes: [{ channel: "L", data }] });
 * };
 * const ratios = measureStarFluxRatios(night(0.8, 1), night(1, 2)).map((star) => star.ratio);
 * assert.ok(ratios.length >= 9 && Math.abs(median(ratios) - 0.8) < 0.01);
 * ```
 */
export function measureStarFluxRatios(
  image: Image,
  reference: Image,
  options: Partial<MeasureStarFluxRatiosOptions> = {},
): StarFluxRatio[] {
  const used = settle("measureStarFluxRatios", measureStarFluxRatiosDefaults, options);
  requireLinear("measureStarFluxRatios", image);
  requireLinear("measureStarFluxRatios", reference);
  requireSameSize("measureStarFluxRatios", image, reference);
  const { minimumSnr, tolerance } = used;
  if (!(minimumSnr > 0)) throw new RangeError(`measureStarFluxRatios: minimumSnr must be > 0, but got ${minimumSnr}`);
  if (!(tolerance > 0)) throw new RangeError(`measureStarFluxRatios: tolerance must be > 0, but got ${tolerance}`);
  const channel = used.channel ?? image.planes[0].channel;
  const [mine, theirs] = [image, reference].map((each) =>
    detectStars(each, { channel }).stars.filter((s) => !s.saturated && s.snr >= minimumSnr)
  );
  return mine.flatMap((s) => {
    const near = theirs.filter((t) => (t.x - s.x) * (t.x - s.x) + (t.y - s.y) * (t.y - s.y) < tolerance * tolerance);
    // Two stars within the tolerance would be one another's guess.
    if (near.length !== 1 || !(near[0].flux > 0 && s.flux > 0)) return [];
    const [t] = near;
    return [{ x: t.x, y: t.y, ratio: s.flux / t.flux, weight: 1 / (1 / (s.snr * s.snr) + 1 / (t.snr * t.snr)) }];
  });
}
