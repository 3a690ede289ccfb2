/** Contrast spread evenly over the tones of each part of a picture. */
import { allocatePlane, derive, type Image, requireDisplay } from "../core/image.ts";
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { settle } from "../core/options.ts";
import { type Band, openBand, overBands } from "../kernels/bands.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { applyTileCurves, countTileHistograms, type Parts } from "../kernels/adaptive_histogram.ts";

/** Options of {@linkcode equaliseAdaptiveHistogram}. */
export interface EqualiseAdaptiveHistogramOptions {
  /** Parts along the longer side, each with a curve of its own; 1 for one curve over the whole picture. */
  readonly tilesAlong: number;
  /**
   * A tone may be spread at most this many times, so that even ground stays even; 1 changes nothing, Infinity sets no
   * limit.
   */
  readonly clipLimit: number;
  /** How far the picture is moved towards the result, 0 … 1. */
  readonly strength: number;
  /** Tones that are told apart; from some thousands on they cost more than the pixels. */
  readonly bins: number;
}

/**
 * What {@linkcode equaliseAdaptiveHistogram} uses for an option left out. Eight parts and 256 tones as in Zuiderveld
 * 1994; twice the contrast, three tenths of the way, by our own judgement: with more the noise of the sky shows.
 */
export const equaliseAdaptiveHistogramDefaults: Readonly<EqualiseAdaptiveHistogramOptions> = Object.freeze({
  tilesAlong: 8,
  clipLimit: 2,
  strength: 0.3,
  bins: 256,
});

/** The curve of each part: its cumulated counts, those above the limit spread over all tones. */
function curvesOf(light: Float32Array, parts: Parts, clipLimit: number): Float32Array {
  const { tones } = parts;
  const size = tones + 1;
  const found = countTileHistograms(light, parts);
  const nodes = new Float32Array(found.length);
  const counts = new Float64Array(tones);
  for (let at = 0; at < found.length; at += size) {
    counts.set(found.subarray(at, at + tones));
    let n = 0;
    for (let k = 0; k < tones; k++) n += counts[k];
    // Counts held to a level, and what was above it spread over all tones, so that together they just meet the limit.
    const limit = clipLimit * n / tones;
    const excessOver = (level: number) => {
      let sum = 0;
      for (let k = 0; k < tones; k++) if (counts[k] > level) sum += counts[k] - level;
      return sum / tones;
    };
    let highest = 0;
    let share = 0;
    for (let k = 0; k < tones; k++) if (counts[k] > highest) highest = counts[k];
    if (highest > limit) {
      let low = 0;
      let high = limit;
      for (let k = 0; k < 40; k++) {
        const middle = (low + high) / 2;
        if (middle + excessOver(middle) > limit) high = middle;
        else low = middle;
      }
      share = excessOver(low);
      for (let k = 0; k < tones; k++) if (counts[k] > low) counts[k] = low;
    }
    for (let k = 0, sum = 0; k <= tones; k++) {
      nodes[at + k] = n === 0 ? k / tones : sum / n;
      if (k < tones) sum += counts[k] + share;
    }
  }
  return nodes;
}

/** Brings channels along with their mean: reads the mean, the mean as drawn, and the channels; writes these. */
export function followRows(band: Band<{ readonly width: number }>): void {
  const { from, to, parameters: { width } } = band;
  const { read, write: out } = openBand(band);
  const [light, made, ...data] = read as Float32Array[];
  const low = new Float64Array(width);
  const high = new Float64Array(width);
  const gain = new Float64Array(width);
  for (let y = from; y < to; y++) {
    const start = y * width;
    const row = light.subarray(start, start + width);
    const drawn = made.subarray(start, start + width);
    // The channels keep their ratios; one that would leave 0 … 1 pulls all towards their mean.
    low.fill(0);
    high.fill(0);
    for (let x = 0; x < width; x++) gain[x] = row[x] > 0 ? drawn[x] / row[x] : 0;
    for (const each of data) {
      for (let x = 0; x < width; x++) {
        const difference = gain[x] * (each[start + x] - row[x]);
        if (difference < low[x]) low[x] = difference;
        if (difference > high[x]) high[x] = difference;
      }
    }
    for (let x = 0; x < width; x++) {
      const value = drawn[x];
      let keep = 1;
      if (value + high[x] > 1) keep = (1 - value) / high[x];
      if (value + low[x] < 0) keep = Math.min(keep, -value / low[x]);
      gain[x] *= keep;
    }
    for (let n = 0; n < data.length; n++) {
      const from = data[n];
      const to = out[n];
      for (let x = 0; x < width; x++) to[start + x] = drawn[x] + gain[x] * (from[start + x] - row[x]);
    }
  }
}

const followTask: PoolTask<Band<{ readonly width: number }>, void> = {
  module: import.meta.url,
  name: "followRows",
  run: followRows,
};

/** Rows of the mean of planes. */
export function meanRows(band: Band<{ readonly width: number }>): void {
  const { from, to, parameters: { width } } = band;
  const { read, write: [out] } = openBand(band);
  const planes = read as Float32Array[];
  const sum = new Float64Array(width);
  for (let start = from * width; start < to * width; start += width) {
    sum.fill(0);
    for (const data of planes) for (let x = 0; x < width; x++) sum[x] += data[start + x];
    for (let x = 0; x < width; x++) out[start + x] = sum[x] / planes.length;
  }
}

const meanTask: PoolTask<Band<{ readonly width: number }>, void> = {
  module: import.meta.url,
  name: "meanRows",
  run: meanRows,
};

/** Tiles side by side and one above the other, as square as they can be. */
function tilesOf(
  width: number,
  height: number,
  tilesAlong: number,
): { readonly across: number; readonly down: number } {
  const side = Math.max(width, height) / tilesAlong;
  return { across: Math.max(1, Math.round(width / side)), down: Math.max(1, Math.round(height / side)) };
}

/**
 * Spread the tones of each part of a picture over the range from black to white, as far as `clipLimit` allows
 * (histogram equalisation by parts with limited contrast: Pizer et al. 1987, CVGIP 39, 355; Zuiderveld 1994, Graphics
 * Gems IV, 474). The curves of the parts are blended by place and straight within a tone, so that no steps and no
 * borders show. With several planes their mean is spread and their ratios are kept.
 *
 * In:  unit "display". Out: same shape and unit, 0 … 1; a pixel without data in one channel is NaN. Cost: three passes.
 * A view into faint structure; it destroys photometry, and lifts the noise of the sky with everything else.
 *
 * @throws {TypeError} if the image is linear
 * @throws {RangeError} if an option is out of range
 *
 * @example A faint half of a picture gains contrast
 * ```ts
 * import assert from "node:assert/strict";
 * import { equaliseAdaptiveHistogram } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const data = Float32Array.from({ length: 64 * 64 }, (_, i) => 0.1 + (i % 64) / 640);
 * const flat = createImage({ width: 64, height: 64, unit: "display", planes: [{ channel: "L", data }] });
 * const made = equaliseAdaptiveHistogram(flat, { tilesAlong: 1, strength: 1, clipLimit: 4 }).planes[0].data;
 * assert.ok(made[63] - made[0] > 3 * (data[63] - data[0]));
 * ```
 */
export function equaliseAdaptiveHistogram(
  image: Image,
  options: Partial<EqualiseAdaptiveHistogramOptions> = {},
): Image {
  const used = settle("equaliseAdaptiveHistogram", equaliseAdaptiveHistogramDefaults, options);
  requireDisplay("equaliseAdaptiveHistogram", image);
  const { tilesAlong, clipLimit, strength, bins } = used;
  const { width, height, planes } = image;
  if (!(Number.isInteger(tilesAlong) && tilesAlong >= 1 && tilesAlong <= 64)) {
    throw new RangeError(
      `equaliseAdaptiveHistogram: tilesAlong must be a whole number of 1 … 64, but got ${tilesAlong}`,
    );
  }
  if (!(clipLimit >= 1)) throw new RangeError(`equaliseAdaptiveHistogram: clipLimit must be ≥ 1, but got ${clipLimit}`);
  if (!(strength >= 0 && strength <= 1)) {
    throw new RangeError(`equaliseAdaptiveHistogram: strength must lie within 0 … 1, but got ${strength}`);
  }
  if (!(Number.isInteger(bins) && bins >= 16 && bins <= 65536)) {
    throw new RangeError(`equaliseAdaptiveHistogram: bins must be a whole number of 16 … 65536, but got ${bins}`);
  }
  const parts = { width, height, tones: bins, ...tilesOf(width, height, tilesAlong) };
  const out = planes.map(({ channel }) => ({ channel, data: allocatePlane(width, height) }));
  const draw = (light: Float32Array, to: Float32Array) =>
    applyTileCurves(light, parts, curvesOf(light, parts, clipLimit), strength, to);
  if (planes.length === 1) draw(planes[0].data, out[0].data);
  else {
    const data = planes.map((plane) => plane.data);
    const rowSamples = width * planes.length;
    const light = borrowPlane(width * height);
    const drawn = borrowPlane(width * height);
    overBands(meanTask, height, rowSamples, data, [light], { width });
    draw(light, drawn);
    overBands(followTask, height, rowSamples, [light, drawn, ...data], out.map((plane) => plane.data), { width });
    returnPlane(light);
    returnPlane(drawn);
  }
  return derive(image, { planes: out }, { step: "equaliseAdaptiveHistogram", options: used });
}

/**
 * Pixels beyond a place on which the result there depends: its four nearest tiles, whose curves are blended, reach one
 * and a half tile sides. What lies further away changes nothing, so that a patch of the whole may be made anew alone as
 * long as tiles are those of the whole.
 *
 * @param options as given to {@linkcode equaliseAdaptiveHistogram}
 * @param size columns and rows of the whole picture
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { equaliseAdaptiveHistogramMargin } from "faintlight/parts";
 *
 * assert.equal(equaliseAdaptiveHistogramMargin({ tilesAlong: 8 }, { width: 800, height: 400 }), 151);
 * ```
 */
export function equaliseAdaptiveHistogramMargin(
  options: Partial<EqualiseAdaptiveHistogramOptions>,
  { width, height }: Pick<Image, "width" | "height">,
): number {
  const { tilesAlong } = settle("equaliseAdaptiveHistogram", equaliseAdaptiveHistogramDefaults, options);
  const { across, down } = tilesOf(width, height, tilesAlong);
  // Sides are rounded to whole pixels: one more.
  return Math.ceil(1.5 * Math.max(width / across, height / down)) + 1;
}
