/** What an automatic stretch rests on: a few numbers of the whole image. */
import type { Image } from "../core/image.ts";
import { type Raster, rastersOf } from "../core/raster.ts";
import { quietNoise, starlet } from "../filters/starlet.ts";
import { measureSky, type SkyLevel, type SkyPart } from "../measure/sky_level.ts";
import { quantile } from "../stats/median.ts";

/** Numbers of an image, in its unit; plain, so that they can be kept, recorded and handed in. */
export interface StretchMeasures {
  /** Sky of each channel. */
  readonly sky: readonly SkyLevel[];
  /** Standard deviation of the grain of 1 to 8 pixels, the largest over the channels; 0 without noise. */
  readonly grain: number;
  /** Level that all but `clippedWhiteShare` of the samples lie below, the highest over the channels. */
  readonly white: number;
  /** Level that `clippedSkyShare` of the samples lie below, the lowest over the channels. */
  readonly darkest: number;
  /** Median of the samples, mean of the channels. */
  readonly median: number;
}

/** Which samples a stretch gives up, and where the sky is looked for. */
export interface StretchMeasureOptions {
  /** Share of pure sky that may fall below black. */
  readonly clippedSkyShare: number;
  /** Share of all samples that may lie above white. */
  readonly clippedWhiteShare: number;
  /** Where the sky is measured. */
  readonly skyRegion: SkyPart;
}

/** Columns and rows in the middle of the field that grain is measured in, at most. */
const maximumGrainPixels = 2048;

/** Standard deviation of the grain of 1 to 8 pixels, in the middle of a plane, at most 2048 pixels each way. */
function grainOf({ data, width, height }: Raster): number {
  const w = Math.min(width, maximumGrainPixels);
  const h = Math.min(height, maximumGrainPixels);
  const x0 = (width - w) >> 1;
  const y0 = (height - h) >> 1;
  const centre = new Float32Array(w * h);
  for (let y = 0; y < h; y++) centre.set(data.subarray((y0 + y) * width + x0, (y0 + y) * width + x0 + w), y * w);
  let square = 0;
  for (const noise of quietNoise(starlet(centre, w, h, 4).scales, w, h)) square += noise ** 2;
  return Math.sqrt(square);
}

/** Level above which the given share of the samples lies, the highest over the channels. */
function whiteOf(image: Image, share: number): number {
  let white = -Infinity;
  for (const { data } of image.planes) {
    const level = quantile(data, 1 - share);
    if (level > white) white = level;
  }
  return white;
}

/**
 * Measure what {@linkcode automaticStretch} rests on. Cost: thinned sorts, and four starlet scales of the middle.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { automaticStretch, constantImage, defaultsOf } from "faintlight";
 * import { measureForStretch } from "faintlight/parts";
 *
 * const image = constantImage(64, 64, 100);
 * const measures = measureForStretch(image, { clippedSkyShare: 0.001, clippedWhiteShare: 0.0001, skyRegion: null });
 * assert.equal(measures.median, 100);
 * ```
 */
export function measureForStretch(image: Image, options: StretchMeasureOptions): StretchMeasures {
  const { clippedSkyShare, clippedWhiteShare, skyRegion } = options;
  const medians = image.planes.map(({ data }) => quantile(data, 0.5)).filter((v) => v === v);
  return {
    sky: measureSky(image, skyRegion),
    grain: Math.max(...rastersOf(image).map(grainOf)),
    white: whiteOf(image, clippedWhiteShare),
    darkest: Math.min(...image.planes.map(({ data }) => quantile(data, clippedSkyShare)).filter((v) => v === v)),
    median: medians.reduce((a, b) => a + b, 0) / medians.length,
  };
}
