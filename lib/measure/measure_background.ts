/** The sky of a frame as a smooth surface, from a mesh of tiles. */
import { allocatePlane, type Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { median } from "../stats/median.ts";
import { robustFit } from "../stats/robust_fit.ts";
import { sigmaClip, skewedMode } from "../stats/sigma_clip.ts";
import { smoothMesh } from "../stars/background_mesh.ts";
import { type Sampling, samplingOf } from "../core/sampling.ts";

/** Options of {@linkcode measureBackground}. */
export interface MeasureBackgroundOptions {
  /** Side of a tile, pixels; at least ten times as wide as a star. */
  readonly tilePixels: number;
  /** Channel; null: green of a mosaic or colour image, else the first plane. */
  readonly channel: string | null;
  /** Whether to look a second time with the sources that the first look shows left out. */
  readonly maskSources: boolean;
  /** Largest share of a tile that may be masked or missing; a tile beyond it takes its neighbours' value. */
  readonly maskedShare: number;
}

/**
 * What {@linkcode measureBackground} uses for an option left out. 64 pixels are twenty times a star of 3 pixels and
 * hold 4096 samples, which fix the level of a tile to 2 % of the noise.
 */
export const measureBackgroundDefaults: MeasureBackgroundOptions = Object.freeze({
  tilePixels: 64,
  channel: null,
  maskSources: true,
  maskedShare: 0.5,
});

/** Sky of a frame: level and noise of each tile, smoothed; in the unit of the image. */
export interface BackgroundMap {
  /** Columns of the frame. */
  readonly width: number;
  /** Rows of the frame. */
  readonly height: number;
  /** Channel measured. */
  readonly channel: string;
  /** Side of a tile, pixels. */
  readonly tilePixels: number;
  /** Tiles across. */
  readonly columns: number;
  /** Tiles down. */
  readonly rows: number;
  /** Level of each tile, row by row. */
  readonly levels: Float64Array;
  /** Noise of a pixel in each tile. */
  readonly noises: Float64Array;
  /** Median level. */
  readonly level: number;
  /** Median noise. */
  readonly noise: number;
  /** Share of the pixels left out as sources. */
  readonly maskedShare: number;
  /** Options used. */
  readonly options: MeasureBackgroundOptions;
}

function tiles(
  sampling: Sampling,
  mask: Uint8Array | null,
  tile: number,
  maskedShare: number,
): { columns: number; rows: number; levels: Float64Array; noises: Float64Array } {
  const { data, width, height, parity } = sampling;
  const columns = Math.max(1, Math.ceil(width / tile));
  const rows = Math.max(1, Math.ceil(height / tile));
  const levels = new Float64Array(columns * rows);
  const noises = new Float64Array(columns * rows);
  const scratch = new Float64Array(tile * tile);
  const step = parity === -1 ? 1 : 2;
  for (let r = 0; r < rows; r++) {
    for (let c = 0; c < columns; c++) {
      let n = 0;
      let seen = 0;
      const x1 = Math.min(width, (c + 1) * tile);
      const y1 = Math.min(height, (r + 1) * tile);
      for (let y = r * tile; y < y1; y++) {
        for (let x = c * tile + (parity !== -1 && ((c * tile + y) & 1) !== parity ? 1 : 0); x < x1; x += step) {
          const i = y * width + x;
          const v = data[i];
          seen++;
          if (v === v && (mask === null || mask[i] === 0)) scratch[n++] = v;
        }
      }
      const at = r * columns + c;
      if (n < 8 || n < (1 - maskedShare) * seen) {
        levels[at] = noises[at] = NaN;
        continue;
      }
      const clipped = sigmaClip(scratch.subarray(0, n));
      levels[at] = skewedMode(clipped);
      noises[at] = clipped.sdCorrected;
    }
  }
  return { columns, rows, levels: smoothLevels(levels, columns, rows), noises: smoothMesh(noises, columns, rows) };
}

/**
 * Medians of 3 × 3 tiles about a plane through all of them: at the border, where neighbours lie to one side, a slope
 * would bend.
 */
function smoothLevels(levels: Float64Array, columns: number, rows: number): Float64Array {
  const u = levels.map((_, i) => i % columns);
  const v = levels.map((_, i) => Math.floor(i / columns));
  const fit = robustFit([u.map(() => 1), ...(columns > 1 ? [u] : []), ...(rows > 1 ? [v] : [])], levels);
  if (fit === null) return smoothMesh(levels, columns, rows);
  const [base, first = 0, second = 0] = fit.coefficients;
  const a = columns > 1 ? first : 0;
  const b = columns > 1 ? second : first;
  const plane = levels.map((_, i) => base + a * u[i] + b * v[i]);
  return smoothMesh(levels.map((each, i) => each - plane[i]), columns, rows).map((each, i) => each + plane[i]);
}

/** Second derivatives of the natural cubic spline through values at unit distance. */
function curvatures(values: Float64Array): Float64Array {
  const n = values.length;
  const m = new Float64Array(n);
  const u = new Float64Array(n);
  for (let i = 1; i < n - 1; i++) {
    const p = m[i - 1] / 2 + 2;
    m[i] = -0.5 / p;
    u[i] = (3 * (values[i + 1] - 2 * values[i] + values[i - 1]) - u[i - 1] / 2) / p;
  }
  m[n - 1] = 0;
  for (let i = n - 2; i >= 0; i--) m[i] = m[i] * m[i + 1] + u[i];
  return m;
}

/** The spline at `at`, continued by its end slopes beyond the outermost nodes, where its curvature is 0. */
function splineAt(values: Float64Array, m: Float64Array, at: number): number {
  const n = values.length;
  if (n === 1) return values[0];
  const i = Math.max(0, Math.min(n - 2, Math.floor(at)));
  const t = at - i;
  const s = 1 - t;
  if (at < 0) return values[0] + at * (values[1] - values[0] - (2 * m[0] + m[1]) / 6);
  if (at > n - 1) return values[n - 1] + (at - n + 1) * (values[n - 1] - values[n - 2] + (m[n - 2] + 2 * m[n - 1]) / 6);
  return s * values[i] + t * values[i + 1] + ((s * s * s - s) * m[i] + (t * t * t - t) * m[i + 1]) / 6;
}

function surface(map: BackgroundMap, values: Float64Array): Float32Array {
  const { width, height, columns, rows, tilePixels } = map;
  const out = allocatePlane(width, height);
  const down = Array.from({ length: columns }, (_, c) => {
    const column = Float64Array.from({ length: rows }, (_, r) => values[r * columns + c]);
    return { column, bend: curvatures(column) };
  });
  const line = new Float64Array(columns);
  const half = (tilePixels - 1) / 2;
  for (let y = 0; y < height; y++) {
    for (let c = 0; c < columns; c++) line[c] = splineAt(down[c].column, down[c].bend, (y - half) / tilePixels);
    const bend = curvatures(line);
    for (let x = 0, i = y * width; x < width; x++, i++) out[i] = splineAt(line, bend, (x - half) / tilePixels);
  }
  return out;
}

/**
 * Level of the sky at every pixel: bicubic spline through the tile centres.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, measureBackground } from "faintlight";
 * import { renderBackground } from "faintlight/parts";
 *
 * assert.equal(renderBackground(measureBackground(constantImage(100, 80, 7)))[0], 7);
 * ```
 */
export function renderBackground(map: BackgroundMap): Float32Array {
  return surface(map, map.levels);
}

/**
 * Noise of the sky at every pixel: bicubic spline through the tile centres.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, measureBackground } from "faintlight";
 * import { renderBackgroundNoise } from "faintlight/parts";
 *
 * assert.equal(renderBackgroundNoise(measureBackground(constantImage(100, 80, 7)))[0], 0);
 * ```
 */
export function renderBackgroundNoise(map: BackgroundMap): Float32Array {
  return surface(map, map.noises);
}

/**
 * Pixels of sources: 3 × 3 means more than two standard deviations of such a mean above the sky, grown by three
 * pixels.
 */
function sourceMask(sampling: Sampling, level: Float32Array, noise: Float32Array): Uint8Array {
  const { data, width, height, parity } = sampling;
  const mask = new Uint8Array(width * height);
  const reach = 3;
  // A mean of nine has a third of the noise (of five, on the green pixels of a mosaic, 0.45): three of those.
  const factor = parity === -1 ? 1 : 1.35;
  for (let y = 1; y < height - 1; y++) {
    for (let x = 1; x < width - 1; x++) {
      const i = y * width + x;
      if (parity !== -1 && ((x + y) & 1) !== parity) continue;
      let sum = 0;
      let n = 0;
      for (let dy = -1; dy <= 1; dy++) {
        for (let dx = -1; dx <= 1; dx++) {
          const v = data[i + dy * width + dx];
          if (v === v && (parity === -1 || ((dx + dy) & 1) === 0)) {
            sum += v;
            n++;
          }
        }
      }
      if (!(sum - n * level[i] > n * factor * noise[i])) continue;
      for (let my = Math.max(0, y - reach); my <= Math.min(height - 1, y + reach); my++) {
        mask.fill(1, my * width + Math.max(0, x - reach), my * width + Math.min(width, x + reach + 1));
      }
    }
  }
  return mask;
}

/**
 * Measure the sky of a frame on a mesh: in each tile samples are clipped at 3 sigma until nothing changes and the mode
 * taken (Bertin & Arnouts 1996, A&AS 117, 393, section 3.1); tiles mostly covered take their neighbours' value; each
 * tile becomes the median of its 3 × 3 neighbourhood (about a plane through all); a second look leaves out the sources
 * that stand above the first. Linear images, any unit, mosaics by their green pixels. NaN is no data. Where a nebula
 * fills the tiles this is its level, not the sky's.
 *
 * Cost: a sort of each tile, about 0.1 µs a pixel and look. Work space: 9 bytes a pixel for the second look.
 *
 * @throws {TypeError} if the image is a finished picture or lacks the channel
 * @throws {RangeError} if the tile is smaller than 8 pixels or the share is outside 0 … 1
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, measureBackground } from "faintlight";
 *
 * const map = measureBackground(constantImage(200, 100, 500));
 * assert.equal(map.level, 500);
 * assert.equal(map.noise, 0);
 * ```
 */
export function measureBackground(image: Image, options: Partial<MeasureBackgroundOptions> = {}): BackgroundMap {
  const used = settle("measureBackground", measureBackgroundDefaults, options);
  const { tilePixels, maskedShare } = used;
  if (!(Number.isInteger(tilePixels) && tilePixels >= 8)) {
    throw new RangeError(`measureBackground: tilePixels must be a whole number from 8, but got ${tilePixels}`);
  }
  if (!(maskedShare >= 0 && maskedShare <= 1)) {
    throw new RangeError(`measureBackground: maskedShare must lie between 0 and 1, but got ${maskedShare}`);
  }
  const sampling = samplingOf("measureBackground", image, used.channel);
  const { width, height, channel } = sampling;
  const mapOf = (mesh: ReturnType<typeof tiles>, masked: number): BackgroundMap => ({
    width,
    height,
    channel,
    tilePixels,
    ...mesh,
    level: median(mesh.levels),
    noise: median(mesh.noises),
    maskedShare: masked,
    options: used,
  });
  const first = mapOf(tiles(sampling, null, tilePixels, maskedShare), 0);
  if (!used.maskSources) return first;
  const mask = sourceMask(sampling, renderBackground(first), renderBackgroundNoise(first));
  let masked = 0;
  for (let i = 0; i < mask.length; i++) masked += mask[i];
  return mapOf(tiles(sampling, mask, tilePixels, maskedShare), masked / mask.length);
}
