/** A reference thinned to the samples that tell its sky. */
import type { Region } from "../core/geometry.ts";
import { type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
import { type ChannelReader, channelReaders, sampleAt } from "./channel_reader.ts";

/** Options of {@linkcode prepareNormalisation}. */
export interface PrepareNormalisationOptions {
  /** Side of a tile, reference pixels, whole; `null` takes a sixteenth of the longer side, at least 48. */
  readonly tilePixels: number | null;
  /** Samples looked at in a tile, about. */
  readonly samplesPerTile: number;
  /**
   * A sample counts as star when it, or a sample up to `starPixels` away, stands out of its tile by this many sigma.
   */
  readonly starSigma: number;
  /** How far the flux of a star reaches, pixels: about two FWHM. */
  readonly starPixels: number;
}

/**
 * Defaults of {@linkcode prepareNormalisation}. Sixteen tiles on the long side follow a gradient that bends over a
 * quarter of the field; 4096 samples know a tile's level to 0.02 sigma; at 4 sigma one sky sample in 30 000 is taken
 * for a star.
 */
export const prepareNormalisationDefaults: Readonly<PrepareNormalisationOptions> = Object.freeze({
  tilePixels: null,
  samplesPerTile: 4096,
  starSigma: 4,
  starPixels: 6,
});

/** One plane of a reference, thinned to the samples that tell its sky. */
export interface ReferencePlane {
  /** Channel. */
  readonly channel: string;
  /** Columns of the samples. */
  readonly x: Int32Array;
  /** Rows of the samples. */
  readonly y: Int32Array;
  /** The samples. */
  readonly value: Float32Array;
  /** First sample of each tile, and one more. */
  readonly start: Int32Array;
}

/** A reference made ready for many frames. */
export interface NormalisationReference {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Nodes along x. */
  readonly gridWidth: number;
  /** Nodes along y. */
  readonly gridHeight: number;
  /** Side of a tile, pixels. */
  readonly tilePixels: number;
  /** Samples, one entry a plane. */
  readonly planes: readonly ReferencePlane[];
}

/** Places looked at round a sample: eight directions at the given distance and at half of it. */
function ringOf(radius: number): [number, number][] {
  const places: [number, number][] = [];
  for (const r of [radius / 2, radius]) {
    for (let k = 0; k < 8; k++) {
      const x = Math.round(r * Math.cos(k * Math.PI / 4));
      const y = Math.round(r * Math.sin(k * Math.PI / 4));
      places.push([x, y]);
    }
  }
  return places;
}

/** Refuse options of the reference that are out of range. */
function checkPreparation(used: PrepareNormalisationOptions): void {
  const { tilePixels, samplesPerTile, starSigma, starPixels } = used;
  if (tilePixels !== null && !(Number.isInteger(tilePixels) && tilePixels >= 8)) {
    throw new RangeError(`prepareNormalisation: tilePixels must be a whole number from 8, but got ${tilePixels}`);
  }
  if (!(samplesPerTile >= 16)) {
    throw new RangeError(`prepareNormalisation: samplesPerTile must be ≥ 16, but got ${samplesPerTile}`);
  }
  if (!(starSigma > 0)) throw new RangeError(`prepareNormalisation: starSigma must be > 0, but got ${starSigma}`);
  if (!(starPixels >= 0)) throw new RangeError(`prepareNormalisation: starPixels must be ≥ 0, but got ${starPixels}`);
}

/** Where samples count as star: the tile's limit, and the places looked at round each sample. */
interface StarRule {
  readonly starSigma: number;
  readonly ringX: Int32Array;
  readonly ringY: Int32Array;
}

/** Samples kept so far. */
interface KeptSamples {
  readonly x: number[];
  readonly y: number[];
  readonly value: number[];
}

/** Look at every `stride`-th sample of a tile and keep those that no star touches. */
function keepSky(reader: ChannelReader, tile: Region, stride: number, rule: StarRule, kept: KeptSamples): void {
  const { starSigma, ringX, ringY } = rule;
  const room = Math.ceil(tile.width / stride) * Math.ceil(tile.height / stride);
  const xs = new Int32Array(room);
  const ys = new Int32Array(room);
  const samples = new Float32Array(room);
  let found = 0;
  for (let y = tile.y + (stride >> 1); y < tile.y + tile.height; y += stride) {
    for (let x = tile.x + (stride >> 1); x < tile.x + tile.width; x += stride) {
      const value = sampleAt(reader, x, y);
      if (value !== value) continue;
      xs[found] = x;
      ys[found] = y;
      samples[found++] = value;
    }
  }
  const all = samples.subarray(0, found);
  const level = median(all);
  const limit = level + starSigma * madSigmaFactor * median(all.map((each) => Math.abs(each - level)));
  search: for (let k = 0; k < found; k++) {
    const x = xs[k];
    const y = ys[k];
    const value = samples[k];
    if (value > limit) continue;
    for (let n = 0; n < ringX.length; n++) {
      if (sampleAt(reader, x + ringX[n], y + ringY[n]) > limit) continue search;
    }
    kept.x.push(x);
    kept.y.push(y);
    kept.value.push(value);
  }
}

/** The tiles of an image row by row; what is left over at the right and below belongs to the last tile. */
function tilesOf(width: number, height: number, tilePixels: number): Region[] {
  const gridWidth = Math.max(1, Math.round(width / tilePixels));
  const gridHeight = Math.max(1, Math.round(height / tilePixels));
  const tiles: Region[] = [];
  for (let j = 0; j < gridHeight; j++) {
    for (let i = 0; i < gridWidth; i++) {
      const x = i * tilePixels;
      const y = j * tilePixels;
      const right = i + 1 === gridWidth ? width : x + tilePixels;
      const bottom = j + 1 === gridHeight ? height : y + tilePixels;
      tiles.push({ x, y, width: right - x, height: bottom - y });
    }
  }
  return tiles;
}

/**
 * Thin a reference to the samples that tell its sky and nebula, stars left out; do it once for the frames of a night.
 *
 * @param reference linear image, best the mean of a few frames with the lowest sky; a colour mosaic is read colour by
 * colour
 * @param options tiles, samples, stars
 * @throws {TypeError} if the image is a finished picture
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { prepareNormalisation } from "faintlight/parts";
 *
 * const ready = prepareNormalisation(constantImage(96, 64, 5), { tilePixels: 32 });
 * assert.deepEqual([ready.gridWidth, ready.gridHeight], [3, 2]);
 * ```
 */
export function prepareNormalisation(
  reference: Image,
  options: Partial<PrepareNormalisationOptions> = {},
): NormalisationReference {
  const used = settle("prepareNormalisation", prepareNormalisationDefaults, options);
  checkPreparation(used);
  requireLinear("prepareNormalisation", reference);
  const { width, height } = reference;
  const { samplesPerTile, starSigma, starPixels } = used;
  const tilePixels = used.tilePixels ?? Math.max(48, Math.round(Math.max(width, height) / 16));
  const stride = Math.max(1, Math.ceil(tilePixels / Math.sqrt(samplesPerTile)));
  const ring = ringOf(starPixels);
  const rule = { starSigma, ringX: Int32Array.from(ring, ([x]) => x), ringY: Int32Array.from(ring, ([, y]) => y) };
  const tiles = tilesOf(width, height, tilePixels);
  const planes = channelReaders(reference).map((reader): ReferencePlane => {
    const kept: KeptSamples = { x: [], y: [], value: [] };
    const start = [0];
    for (const tile of tiles) {
      keepSky(reader, tile, stride, rule, kept);
      start.push(kept.x.length);
    }
    return {
      channel: reader.channel,
      x: Int32Array.from(kept.x),
      y: Int32Array.from(kept.y),
      value: Float32Array.from(kept.value),
      start: Int32Array.from(start),
    };
  });
  const gridWidth = Math.max(1, Math.round(width / tilePixels));
  const gridHeight = Math.max(1, Math.round(height / tilePixels));
  return { width, height, gridWidth, gridHeight, tilePixels, planes };
}
