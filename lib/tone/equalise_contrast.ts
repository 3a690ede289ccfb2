/** Contrast spread evenly over the tones of each part of a picture. */
import { allocatePlane, derive, type Image, requireDisplay } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { type Band, openBand, overBands } from "../kernels/bands.ts";
import type { PoolTask } from "../kernels/pool.ts";

/** Options of {@linkcode equaliseContrast}. */
export interface EqualiseContrastOptions {
  /** Parts along the longer side, each with a curve of its own; 1 for one curve over the whole picture. */
  readonly partsAlong: number;
  /** A tone may be spread at most this many times, so that even ground stays even; 1 changes nothing, Infinity sets no limit. */
  readonly steepest: number;
  /** How far the picture is moved towards the result, 0 … 1. */
  readonly strength: number;
  /** Tones that are told apart; from some thousands on they cost more than the pixels. */
  readonly tones: number;
}

/**
 * What {@linkcode equaliseContrast} uses for an option left out. Eight parts and 256 tones as in Zuiderveld 1994; twice the
 * contrast, three tenths of the way, by our own judgement: with more the noise of the sky shows.
 */
export const equaliseContrastDefaults: Readonly<EqualiseContrastOptions> = Object.freeze({
  partsAlong: 8,
  steepest: 2,
  strength: 0.3,
  tones: 256,
});

/** Rising curves of the parts, `tones + 1` nodes each, row by row. */
interface Curves {
  readonly across: number;
  readonly down: number;
  readonly tones: number;
  readonly nodes: Float64Array;
}

/** The curve of each part: its cumulated counts, those above the limit spread over all tones. */
function curvesOf(
  light: Float32Array,
  width: number,
  height: number,
  used: Readonly<EqualiseContrastOptions>,
): Curves {
  const { partsAlong, steepest, tones } = used, side = Math.max(width, height) / partsAlong;
  const across = Math.max(1, Math.round(width / side)), down = Math.max(1, Math.round(height / side));
  const nodes = new Float64Array(across * down * (tones + 1)), found = new Uint32Array(tones);
  const counts = new Float64Array(tones), last = tones - 1;
  for (let row = 0; row < down; row++) {
    for (let column = 0; column < across; column++) {
      found.fill(0);
      let n = 0;
      const x0 = Math.floor(width * column / across), x1 = Math.floor(width * (column + 1) / across);
      const y0 = Math.floor(height * row / down), y1 = Math.floor(height * (row + 1) / down);
      for (let y = y0; y < y1; y++) {
        for (let i = y * width + x0; i < y * width + x1; i++) {
          const v = light[i];
          if (v !== v) continue;
          n++;
          found[v >= 1 ? last : v > 0 ? (v * tones) | 0 : 0]++;
        }
      }
      counts.set(found);
      // Counts held to a level, and what was above it spread over all tones, so that together they just meet the limit.
      const limit = steepest * n / tones, at = (row * across + column) * (tones + 1);
      const excessOver = (level: number) => {
        let sum = 0;
        for (let k = 0; k < tones; k++) if (counts[k] > level) sum += counts[k] - level;
        return sum / tones;
      };
      let highest = 0, share = 0;
      for (let k = 0; k < tones; k++) if (counts[k] > highest) highest = counts[k];
      if (highest > limit) {
        let low = 0, high = limit;
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
  }
  return { across, down, tones, nodes };
}

/** What the rows of a band are drawn with. */
interface EqualiseSettings {
  readonly curves: Curves;
  readonly width: number;
  readonly height: number;
  readonly strength: number;
}

/** Draws rows through the four nearest curves, blended by distance from the middles of their parts. */
export function equaliseRows(band: Band<EqualiseSettings>): void {
  const { from, to, parameters: { curves, width, height, strength } } = band, { read, write: out } = openBand(band);
  const [light, ...data] = read as Float32Array[];
  const { across, down, tones, nodes } = curves, size = tones + 1;
  const left = new Int32Array(width), right = new Int32Array(width), part = new Float64Array(width);
  for (let x = 0; x < width; x++) {
    const u = (x + 0.5) * across / width - 0.5, k = Math.floor(u);
    left[x] = 2 * size * Math.max(0, k);
    right[x] = 2 * size * Math.min(across - 1, k + 1);
    part[x] = u - k;
  }
  // Of a row all pixels lie equally far between two rows of parts: those curves are blended once, as pairs of height and rise.
  const pairs = new Float64Array(2 * across * size), drawn = new Float64Array(width), gain = new Float64Array(width);
  const low = new Float64Array(width), high = new Float64Array(width), last = tones - 1;
  for (let y = from; y < to; y++) {
    const v = (y + 0.5) * down / height - 0.5, k = Math.floor(v), fy = v - k;
    const upper = Math.max(0, k) * across * size, lower = Math.min(down - 1, k + 1) * across * size;
    for (let n = across * size - 1, next = 0; n >= 0; n--) {
      const a = nodes[upper + n], here = a + fy * (nodes[lower + n] - a);
      pairs[2 * n] = here;
      pairs[2 * n + 1] = next - here;
      next = here;
    }
    const start = y * width, row = light.subarray(start, start + width);
    for (let x = 0; x < width; x++) {
      const t = row[x];
      if (t !== t) {
        drawn[x] = NaN;
        continue;
      }
      const p = t <= 0 ? 0 : t >= 1 ? tones : t * tones,
        floor = p | 0,
        tone = floor < last ? floor : last,
        f = p - tone;
      const a = left[x] + 2 * tone, b = right[x] + 2 * tone;
      const near = pairs[a] + f * pairs[a + 1], far = pairs[b] + f * pairs[b + 1];
      const made = t + strength * (near + part[x] * (far - near) - t);
      // the blend of four curves may round to a hair beyond the ends, where no room is left to keep colours in
      drawn[x] = made < 0 ? 0 : made > 1 ? 1 : made;
    }
    if (data.length === 1) {
      out[0].set(drawn, start);
      continue;
    }
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
      const from = data[n], to = out[n];
      for (let x = 0; x < width; x++) to[start + x] = drawn[x] + gain[x] * (from[start + x] - row[x]);
    }
  }
}

const equaliseTask: PoolTask<Band<EqualiseSettings>, void> = {
  module: import.meta.url,
  name: "equaliseRows",
  run: equaliseRows,
};

/**
 * Spread the tones of each part of a picture over the range from black to white, as far as `steepest` allows (histogram
 * equalisation by parts with limited contrast: Pizer et al. 1987, CVGIP 39, 355; Zuiderveld 1994, Graphics Gems IV, 474).
 * The curves of the parts are blended by place and straight within a tone, so that no steps and no borders show. With several
 * planes their mean is spread and their ratios are kept.
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
 * import { createImage, equaliseContrast } from "faintlight";
 *
 * const data = Float32Array.from({ length: 64 * 64 }, (_, i) => 0.1 + (i % 64) / 640);
 * const flat = createImage({ width: 64, height: 64, unit: "display", planes: [{ channel: "L", data }] });
 * const made = equaliseContrast(flat, { partsAlong: 1, strength: 1, steepest: 4 }).planes[0].data;
 * assert.ok(made[63] - made[0] > 3 * (data[63] - data[0]));
 * ```
 */
export function equaliseContrast(image: Image, options: Partial<EqualiseContrastOptions> = {}): Image {
  const used = settle("equaliseContrast", equaliseContrastDefaults, options);
  requireDisplay("equaliseContrast", image);
  const { partsAlong, steepest, strength, tones } = used, { width, height, planes } = image;
  if (!(Number.isInteger(partsAlong) && partsAlong >= 1 && partsAlong <= 64)) {
    throw new RangeError(`equaliseContrast: partsAlong must be a whole number of 1 … 64, but got ${partsAlong}`);
  }
  if (!(steepest >= 1)) throw new RangeError(`equaliseContrast: steepest must be ≥ 1, but got ${steepest}`);
  if (!(strength >= 0 && strength <= 1)) {
    throw new RangeError(`equaliseContrast: strength must lie within 0 … 1, but got ${strength}`);
  }
  if (!(Number.isInteger(tones) && tones >= 16 && tones <= 65536)) {
    throw new RangeError(`equaliseContrast: tones must be a whole number of 16 … 65536, but got ${tones}`);
  }
  let light = planes[0].data;
  if (planes.length > 1) {
    light = allocatePlane(width, height);
    const sum = new Float64Array(width);
    for (let start = 0; start < light.length; start += width) {
      sum.fill(0);
      for (const { data } of planes) for (let x = 0; x < width; x++) sum[x] += data[start + x];
      for (let x = 0; x < width; x++) light[start + x] = sum[x] / planes.length;
    }
  }
  const curves = curvesOf(light, width, height, used);
  const out = planes.map(({ channel }) => ({ channel, data: allocatePlane(width, height) }));
  overBands(
    equaliseTask,
    height,
    width * planes.length,
    [light, ...planes.map(({ data }) => data)],
    out.map(({ data }) => data),
    { curves, width, height, strength },
  );
  return derive(image, { planes: out }, { step: "equaliseContrast", options: used });
}
