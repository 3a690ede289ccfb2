/**
 * What a search for stars does with every sample of a frame. A frame is searched on means of 2 × 2 pixels: a quarter of
 * the samples, smooth enough to be a matched filter, and the same for mono frames and for the two green pixels of a
 * mosaic's block.
 */
import { borrowPlane } from "../core/memory.ts";
import type { Raster } from "../core/raster.ts";
import { kernelKind, scratchFloats, withKernel } from "./machine.ts";
import {
  blockMeansTwin,
  findPeaksTwin,
  lineMediansTwin,
  regionsTwin,
  ringMediansTwin,
  smoothGridTwin,
  subtractLinesTwin,
  tileMediansTwin,
  tileStatisticsTwin,
} from "./detection.twin.ts";

/** A grid of block means. */
export type Grid = Raster;

/** Levels of a mesh of square tiles. */
export interface TileLevels {
  /** Tiles across. */
  readonly columns: number;
  /** Tiles down. */
  readonly rows: number;
  /** Side of a tile in samples of the grid; the last row and column of tiles may be smaller or larger. */
  readonly tile: number;
  /** First column of the first tile. */
  readonly left: number;
  /** First row of the first tile. */
  readonly top: number;
  /** Level of each tile. */
  readonly level: Float64Array;
}

/** Level and noise of square tiles of a grid. */
export interface Mesh extends TileLevels {
  /** Standard deviation of a sample within each tile. */
  readonly noise: Float64Array;
}

const wasm = (): boolean => kernelKind() === "wasm";
/** Floats of the scratch memory from an address on, after a call. */
const scratchAt = (at: number, n: number): Float32Array => scratchFloats().subarray(at >> 2, (at >> 2) + n);

/** Means of 2 × 2 pixels; of the two green pixels when `parity` is 0 or 1. What is missing (NaN) does not count. */
export function blockMeans(data: Float32Array, width: number, height: number, parity: -1 | 0 | 1): Grid {
  const w = width >> 1;
  const h = height >> 1;
  const out = borrowPlane(w * h);
  if (!wasm()) blockMeansTwin(data, out, width, w, h, parity);
  else {
    withKernel("blockMeans", { a: data, o: out }, 0, (kernel, at) => kernel(at.a, at.o, width, w, h, parity));
  }
  return { width: w, height: h, data: out };
}

/**
 * Level and noise of each tile. Level: median of up to about 350 samples, one clipping at 2.5 sigma, then the
 * mode of what is left. Noise: 1.4826 × median |2 v − left − right| / √6, to which slopes and nebulae do not add. A
 * tile with less than a quarter of its samples known is NaN.
 */
export function tileStatistics(grid: Grid, tile: number): Mesh {
  const { width, height, data } = grid;
  const columns = Math.max(1, Math.round(width / tile));
  const rows = Math.max(1, Math.round(height / tile));
  const step = Math.max(1, Math.round(tile * tile / 350));
  const last = Math.max(tile, width - (columns - 1) * tile) * Math.max(tile, height - (rows - 1) * tile);
  const room = (last + 16) & ~7;
  const out = new Float64Array(2 * columns * rows);
  if (!wasm()) tileStatisticsTwin(data, width, height, tile, columns, rows, step, room, out);
  else {
    withKernel("tileStatistics", { a: data }, 12 * room + 16 * columns * rows, (kernel, at) => {
      const results = at.scratch + 12 * room;
      kernel(at.a, width, height, tile, columns, rows, step, at.scratch, room, results);
      out.set(new Float64Array(scratchFloats().buffer, results, out.length));
    });
  }
  const level = new Float64Array(columns * rows);
  const noise = new Float64Array(columns * rows);
  for (let i = 0; i < level.length; i++) {
    level[i] = out[2 * i];
    noise[i] = out[2 * i + 1];
  }
  return { columns, rows, tile, left: 0, top: 0, level, noise };
}

/** Side of the tiles of {@linkcode tileMedians}. */
const medianTileSide = 8;

/**
 * Level of tiles of 8 × 8 samples of a grid without gaps: the median of seven columns' medians of seven samples each,
 * which half of the samples in half of the columns cannot move; and, for all but the outermost tiles, the median of 3
 * × 3 of them. At least 8 × 8 samples.
 */
export function tileMedians(grid: Grid): TileLevels & { readonly smooth: Float32Array } {
  const { width, height, data } = grid;
  const columns = width >> 3;
  const rows = height >> 3;
  const n = columns * rows;
  // What no whole tile covers is shared out among the borders.
  const left = (width & 7) >> 1;
  const top = (height & 7) >> 1;
  const start = top * width + left;
  const out = new Float32Array(n);
  const smooth = new Float32Array(n);
  if (!wasm()) tileMediansTwin(data.subarray(start), width, columns, rows, out, smooth);
  else {
    const line = 32 * (columns + 3);
    const list = 4 * n + 32;
    withKernel("tileMedians", { a: data }, line + 2 * list, (kernel, at) => {
      const first = at.scratch + line;
      kernel(at.a + 4 * start, width, columns, rows, at.scratch, first, first + list);
      out.set(scratchAt(first, n));
      const inner = scratchAt(first + list, n);
      for (let r = 1; r < rows - 1; r++) {
        smooth.set(inner.subarray(r * columns + 1, (r + 1) * columns - 1), r * columns + 1);
      }
    });
  }
  return { columns, rows, tile: medianTileSide, left, top, level: Float64Array.from(out), smooth };
}

/**
 * Rows of a mesh drawn out along x to the samples of a grid: linear between the centres of the tiles and to half a
 * tile beyond the outermost, then held.
 */
function interpolateRows(mesh: TileLevels, width: number, sign: number): Float32Array {
  const { columns, rows, tile, left, level } = mesh;
  const first = left + (tile - 1) / 2;
  const lines = new Float32Array(rows * width);
  for (let r = 0; r < rows; r++) {
    const at = r * columns;
    for (let c = 0, x = 0, i = r * width; c < columns; c++) {
      // The piece to the right of a tile's centre; the first and the last also reach out to the borders.
      const next = columns === 1 ? 0 : c === columns - 1 ? c - 1 : c + 1;
      const from = level[at + c];
      const slope = next === c ? 0 : (level[at + next] - from) / ((next - c) * tile);
      const start = c * tile + first;
      const end = c === columns - 1 ? width : Math.min(width, Math.ceil(start + tile));
      if (c === 0) {
        const lead = Math.min(end, Math.ceil(start));
        for (; x < lead; x++) lines[i + x] = sign * (from + slope * Math.max(-tile / 2, x - start));
      }
      for (; x < end; x++) {
        lines[i + x] = sign * (from + slope * Math.min(c === columns - 1 ? tile / 2 : tile, x - start));
      }
    }
  }
  return lines;
}

/**
 * Subtract a mesh from a grid in place (add it with `sign` −1); gaps become 0. Bilinear between the centres of its
 * tiles and to half a tile beyond, then held.
 */
export function subtractSurface(grid: Grid, mesh: TileLevels, sign: 1 | -1 = 1): void {
  const { width, height, data } = grid;
  const { rows, tile } = mesh;
  const first = mesh.top + (tile - 1) / 2;
  const lines = interpolateRows(mesh, width, sign);
  if (!wasm()) return subtractLinesTwin(data, data, width, height, lines, rows, tile, first);
  withKernel("subtractLines", { a: data, o: data }, lines, (kernel, at) => {
    kernel(at.a, at.o, width, height, at.scratch, rows, tile, first);
  });
}

/**
 * Median of every line of a grid, from every stride-th of its samples.
 *
 * @param noise where to look first: between this and its opposite
 */
export function lineMedians(
  grid: Grid,
  lines: number,
  lineStep: number,
  count: number,
  sampleStep: number,
  noise: number,
): Float32Array {
  const out = new Float32Array(lines);
  const room = 4 * ((count + 16) & ~7);
  if (!wasm()) lineMediansTwin(grid.data, lines, lineStep, count, sampleStep, noise, out);
  else {
    withKernel("lineMedians", { a: grid.data }, room + 4 * lines, (kernel, at) => {
      kernel(at.a, lines, lineStep, count, sampleStep, at.scratch, noise, at.scratch + room);
      out.set(scratchAt(at.scratch + room, lines));
    });
  }
  return out;
}

/** Smooth with [1 2 1] ⊗ [1 2 1] / 16; the border repeats its outermost sample. */
export function smoothGrid(grid: Grid, out: Float32Array = borrowPlane(grid.data.length)): Grid {
  const { width, height, data } = grid;
  if (!wasm()) smoothGridTwin(data, out, width, height);
  else {
    withKernel("smoothGrid", { a: data, o: out }, 4 * width + 64, (kernel, at) => {
      kernel(at.a, at.o, width, height, at.scratch);
    });
  }
  return { width, height, data: out };
}

/**
 * Indices of samples above their limit (one a tile of `tile` samples) and higher than their neighbours, in reading
 * order; of equal neighbours the first.
 */
export function findPeaks(
  grid: Grid,
  limits: Float32Array,
  columns: number,
  rows: number,
  tile: number,
): Int32Array {
  const { width, height, data } = grid;
  if (!wasm()) return findPeaksTwin(data, width, height, limits, columns, rows, tile);
  let found = new Int32Array(0);
  const maximum = (data.length >> 2) + 4 + width + height;
  withKernel("findPeaks", { a: data }, 4 * (limits.length + maximum + 1), (kernel, at) => {
    const results = at.scratch + 4 * limits.length;
    scratchAt(at.scratch, limits.length).set(limits);
    kernel(at.a, width, height, at.scratch, columns, rows, tile, maximum, results);
    const n = new Int32Array(scratchFloats().buffer, results, 1)[0];
    found = new Int32Array(scratchFloats().buffer, results + 4, n).slice();
  });
  return found;
}

/** Doubles an entry of the list of {@linkcode peakRegions} takes. */
export const regionFields = 8;

/** Where in an entry each number stands: the first two before the call, all of the others after it. */
export const regionAt = Object.freeze(
  {
    /** In: index of the peak. */
    peak: 0,
    /** In: level at or above which its region stays; NaN: it is the one sample. */
    floor: 1,
    /** Out: median of the eight samples three away. */
    around: 0,
    /** Out: samples of the region. */
    area: 1,
    /** Out: middle of the region, column. */
    x: 2,
    /** Out: middle of the region, row. */
    y: 3,
    /** Out: its variance along x. */
    xx: 4,
    /** Out: its covariance. */
    xy: 5,
    /** Out: its variance along y. */
    yy: 6,
    /** Out: 1 if it meets the region of a brighter peak, else 0. */
    meetsBrighter: 7,
  } as const,
);

/** A region does not grow beyond this many samples. */
const maximumRegionArea = 20000;

/**
 * Regions around peaks, the brightest peak first.
 *
 * @param list entries of {@linkcode regionFields} doubles, see {@linkcode regionAt}; results written over what was
 * given
 */
export function peakRegions(grid: Grid, list: Float64Array): void {
  const { width, height, data } = grid;
  const count = list.length / regionFields;
  if (!wasm()) return regionsTwin(data, width, height, list, count, maximumRegionArea);
  const room = 4 * (maximumRegionArea + 8);
  const bytes = list.byteLength + room;
  withKernel("regions", { a: data }, bytes + data.length + 16, (kernel, at) => {
    const there = new Float64Array(scratchFloats().buffer, at.scratch, list.length);
    const queue = at.scratch + list.byteLength;
    there.set(list);
    kernel(at.a, width, height, at.scratch, count, at.scratch + bytes, queue, maximumRegionArea);
    list.set(there);
  });
}

/**
 * The eighth and ninth of sixteen samples around each of many places, in turn.
 *
 * @param places indices of samples
 * @param offsets sixteen, from a place to samples that lie on the grid
 */
export function ringMedians(grid: Grid, places: Int32Array, offsets: Int32Array): Float32Array {
  const n = places.length;
  const out = new Float32Array(2 * n);
  const padded = (n + 3) & ~3;
  if (n === 0) return out;
  if (!wasm()) ringMediansTwin(grid.data, places, offsets, out);
  else {
    withKernel("ringMedians", { a: grid.data }, 12 * padded + 64 + 256, (kernel, at) => {
      const words = new Int32Array(scratchFloats().buffer, at.scratch, padded + 16);
      words.set(places);
      words.fill(places[0], n, padded);
      words.set(offsets, padded);
      const room = at.scratch + 4 * (padded + 16);
      const results = room + 256;
      kernel(at.a, at.scratch, n, at.scratch + 4 * padded, room, results);
      out.set(scratchAt(results, 2 * n));
    });
  }
  return out;
}
