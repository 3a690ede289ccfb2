/** Ratio of two lines over a field, and how sure it is. */
import { allocatePlane, derive, type Image, planeOf, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { measureSky, type SkyPart } from "../measure/sky_level.ts";
import { gaussianSmooth } from "../filters/gaussian.ts";

/** Options of {@linkcode mapLineRatio}. */
export interface MapLineRatioOptions {
  /** Channel above the line of the fraction. */
  readonly numerator: string;
  /** Channel below it. */
  readonly denominator: string;
  /** Sigma of the Gaussian both are smoothed with first, pixels; 0 for none. */
  readonly smoothingPixels: number;
  /** Ratios of less signal-to-noise than this are left out (NaN). */
  readonly minimumSnr: number;
  /** Part of the field that shows free sky, for a field that is full of nebula; null to find the sky in all of it. */
  readonly skyRegion: SkyPart;
}

/**
 * What {@linkcode mapLineRatio} uses for an option left out: two pixels of smoothing, the width of a star; three
 * standard deviations, below which the ratio of two normal variables has no useful error bar (Hinkley 1969, Biometrika
 * 56, 635).
 */
export const mapLineRatioDefaults: Readonly<MapLineRatioOptions> = Object.freeze({
  numerator: "OIII",
  denominator: "Ha",
  smoothingPixels: 2,
  minimumSnr: 3,
  skyRegion: null,
});

/** A line above its sky, smoothed, with the noise of a sample after smoothing. */
export function smoothedLine(
  image: Image,
  channel: string,
  sigma: number,
  skyRegion: SkyPart = null,
): { signal: Float32Array; noise: number; level: number } {
  const { width, height } = image;
  const plane = planeOf(image, channel);
  const signal = sigma > 0 ? gaussianSmooth(plane.data, width, height, sigma) : Float32Array.from(plane.data);
  // Level and noise are measured on the smoothed plane: noise that resampling has correlated does not fall as white
  // noise does.
  const [sky] = measureSky({ ...image, planes: [{ channel, data: signal }] }, skyRegion);
  for (let i = 0; i < signal.length; i++) signal[i] -= sky.level;
  return { signal, noise: sky.noise, level: sky.level };
}

/**
 * Map the ratio of two lines, planes `ratio` and `snr`: both lines above their sky, smoothed, divided; the
 * signal-to-noise ratio by first-order propagation, 1 / √((σa/a)² + (σb/b)²). The ratio is a plain number whatever the
 * unit says.
 *
 * In:  linear, gradient and continuum removed, both channels on one scale of flux. Out: two planes of the same size;
 * NaN where either line is not above its sky or the ratio is too uncertain. Cost: two Gaussian smoothings.
 *
 * @throws {TypeError} if the image is a stretched picture or lacks a channel
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { mapLineRatio } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const plane = (channel: string, height: number) => ({
 *   channel,
 *   data: Float32Array.from({ length: 6400 }, (_, i) => (i * 7919 % 13) / 13 + (i % 80 < 20 ? height : 0)),
 * });
 * const image = createImage({ width: 80, height: 80, unit: "adu", planes: [plane("Ha", 400), plane("OIII", 100)] });
 * const map = mapLineRatio(image);
 * assert.ok(Math.abs(map.planes[0].data[40 * 80 + 5] - 0.25) < 0.01);
 * assert.ok(Number.isNaN(map.planes[0].data[40 * 80 + 60]));
 * ```
 */
export function mapLineRatio(image: Image, options: Partial<MapLineRatioOptions> = {}): Image {
  const used = settle("mapLineRatio", mapLineRatioDefaults, options);
  requireLinear("mapLineRatio", image);
  const { numerator, denominator, smoothingPixels, minimumSnr, skyRegion } = used;
  if (!(smoothingPixels >= 0)) {
    throw new RangeError(`mapLineRatio: smoothingPixels must be ≥ 0, but got ${smoothingPixels}`);
  }
  if (!(minimumSnr >= 0)) throw new RangeError(`mapLineRatio: minimumSnr must be ≥ 0, but got ${minimumSnr}`);
  const top = smoothedLine(image, numerator, smoothingPixels, skyRegion);
  const bottom = smoothedLine(image, denominator, smoothingPixels, skyRegion);
  const ratio = allocatePlane(image.width, image.height);
  const snr = allocatePlane(image.width, image.height);
  for (let i = 0; i < ratio.length; i++) {
    const a = top.signal[i];
    const b = bottom.signal[i];
    if (a > 0 && b > 0) {
      const u = top.noise / a;
      const v = bottom.noise / b;
      snr[i] = 1 / Math.sqrt(u * u + v * v);
      ratio[i] = snr[i] >= minimumSnr ? a / b : NaN;
    } else {
      snr[i] = a === a && b === b ? 0 : NaN;
      ratio[i] = NaN;
    }
  }
  const planes = [{ channel: "ratio", data: ratio }, { channel: "snr", data: snr }];
  return derive(image, { planes, variance: null }, { step: "mapLineRatio", options: used });
}
