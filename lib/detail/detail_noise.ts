/** The noise of a plane's details: by scale, and from place to place. */
import type { Point } from "../core/geometry.ts";
import { borrowPlane } from "../core/memory.ts";
import type { Raster } from "../core/raster.ts";
import { type Band, openBand, overBands } from "../kernels/bands.ts";
import { tileMads } from "../kernels/tile_mad.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";

/** Side of a tile whose own noise is measured, pixels: a thousand samples give it to 4 %. */
const tilePixels = 32;
/** Largest variance of a tile over that of the quietest sky that counts as noise. */
const maximumVarianceRatio = 9;

/** Variance of the noise over that of the quietest sky, in tiles over a whole image. */
export interface NoiseMap {
  /** Tiles side by side. */
  readonly columns: number;
  /** Tiles one below the other. */
  readonly rows: number;
  /** Columns of pixels of the whole image. */
  readonly width: number;
  /** Rows of pixels of the whole image. */
  readonly height: number;
  /** Ratio of each tile, row by row, 1 or more. */
  readonly ratios: readonly number[];
}

/** Noise of the details of a whole plane, as plain numbers. */
export interface DetailNoise {
  /** Standard deviation in each scale where it is least, from the finest. */
  readonly sigmas: readonly number[];
  /** How it grows from place to place. */
  readonly map: NoiseMap;
}

/** Noise that was measured on a whole plane, for a patch of it. */
export interface KnownNoise {
  /** The noise of the whole. */
  readonly noise: DetailNoise;
  /** Where the patch's first pixel lies in the whole. */
  readonly offset: Point;
}

/**
 * The noise of each pixel's neighbourhood: edges of the field behind which fewer frames lie, the photon noise of a
 * nebula. It is measured on the finest details, where hardly anything but noise is.
 *
 * @param quiet standard deviation of the finest details where it is least
 */
export function measureNoiseMap({ data, width, height }: Raster, quiet: number): NoiseMap {
  const columns = Math.max(1, Math.round(width / tilePixels));
  const rows = Math.max(1, Math.round(height / tilePixels));
  const edges = (size: number, count: number) =>
    Int32Array.from({ length: count + 1 }, (_, k) => Math.floor(k * size / count));
  const grid = Array.from(tileMads(data, width, edges(width, columns), edges(height, rows), 1).medians, (tileMad) => {
    const sigma = madSigmaFactor * tileMad;
    return Math.max(1, Math.min(maximumVarianceRatio, (sigma / quiet) ** 2)) || 1;
  });
  // One tile with a bright star in it is no uneven noise: each takes the median of its neighbourhood.
  const ratios = grid.map((_, at) => {
    const c = at % columns;
    const r = Math.floor(at / columns);
    const near: number[] = [];
    for (let y = Math.max(0, r - 1); y <= Math.min(rows - 1, r + 1); y++) {
      for (let x = Math.max(0, c - 1); x <= Math.min(columns - 1, c + 1); x++) near.push(grid[y * columns + x]);
    }
    return median(near);
  });
  return { columns, rows, width, height, ratios };
}

/** What {@linkcode noiseWeightRows} draws: a patch's columns, and where it lies in the map's image. */
interface WeightSettings {
  readonly map: NoiseMap;
  readonly patchWidth: number;
  readonly offset: Point;
}

/** Draws rows of what {@linkcode noiseWeights} returns: bilinear between the centres of the tiles. */
export function noiseWeightRows(band: Band<WeightSettings>): void {
  const { from, to, parameters: { map, patchWidth, offset } } = band;
  const { columns, rows, width, height, ratios } = map;
  const [out] = openBand(band).write;
  const near = new Float64Array(columns);
  const column = new Int32Array(patchWidth);
  const part = new Float64Array(patchWidth);
  for (let x = 0; x < patchWidth; x++) {
    const u = Math.max(0, Math.min(columns - 1, (x + offset.x + 0.5) * columns / width - 0.5));
    column[x] = Math.min(Math.max(0, columns - 2), Math.floor(u));
    part[x] = u - column[x];
  }
  for (let y = from; y < to; y++) {
    const v = Math.max(0, Math.min(rows - 1, (y + offset.y + 0.5) * rows / height - 0.5));
    const r = Math.floor(v);
    const t = v - r;
    const above = r * columns;
    const below = Math.min(rows - 1, r + 1) * columns;
    for (let c = 0; c < columns; c++) near[c] = ratios[above + c] + t * (ratios[below + c] - ratios[above + c]);
    for (let x = 0, i = y * patchWidth; x < patchWidth; x++, i++) {
      const here = near[column[x]];
      out[i] = part[x] > 0 ? 1 / (here + part[x] * (near[column[x] + 1] - here)) : 1 / here;
    }
  }
}

const weightTask: PoolTask<Band<WeightSettings>, void> = {
  module: import.meta.url,
  name: "noiseWeightRows",
  run: noiseWeightRows,
};

/**
 * Variance of the noise of the quietest sky over that of each pixel's neighbourhood, 1 or less.
 *
 * @param size columns and rows of the patch
 * @param offset where its first pixel lies in the image of the map
 * @returns a borrowed plane
 */
export function noiseWeights(map: NoiseMap, size: Pick<Raster, "width" | "height">, offset: Point): Float32Array {
  const out = borrowPlane(size.width * size.height);
  overBands(weightTask, size.height, size.width, [], [out], { map, patchWidth: size.width, offset });
  return out;
}
