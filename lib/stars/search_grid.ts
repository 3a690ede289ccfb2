/** A grid of block means made ready for a search: smoothed, with its noise and its peaks. */
import type { Point } from "../core/geometry.ts";
import { findPeaks, type Grid, type Mesh, smoothGrid } from "../kernels/detection.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { medianInPlace } from "../stats/samples.ts";

/**
 * Share of the detection limit that a peak of the smoothed grid must reach to be looked at closely: the worst a star
 * loses there, a narrow one (FWHM 1.7 pixels) that falls on the corner of four blocks keeps 0.53 of its
 * signal-to-noise ratio.
 */
const minimumPeakShare = 0.55;
/** Noise of the smoothed grid over that of the grid, for white noise: the norm of [1 2 1]/4, squared. */
const smoothedNoiseRatio = 0.375;

/** A grid at one binning with what is needed to search it. */
export interface SearchGrid {
  /** The samples. */
  readonly grid: Grid;
  /** The samples smoothed: a matched filter for stars about as wide as a block. */
  readonly smooth: Grid;
  /** Pixels of the frame a sample of the grid, along one axis. */
  readonly binning: number;
  /** Peaks of the smoothed grid, brightest first. */
  readonly peaks: Int32Array;
  /** Noise of the smoothed grid in each tile. */
  readonly noise: Float64Array;
  /** Tiles across. */
  readonly columns: number;
  /** Tiles down. */
  readonly rows: number;
  /** Side of a tile in samples of the grid. */
  readonly tile: number;
}

/**
 * Noise of a smoothed grid: 1.4826 × median |2 v − v₋₃ − v₊₃| / √6 of every so-manyth sample; the step spans the
 * smoothing.
 */
function sampledNoise(grid: Grid): number {
  const { width, height, data } = grid;
  const step = Math.max(1, Math.floor(data.length / 4000) | 1);
  const scratch = new Float32Array(Math.ceil(data.length / step));
  let n = 0;
  for (let i = 3; i < width * height - 3; i += step) {
    const bend = Math.abs(2 * data[i] - data[i - 3] - data[i + 3]);
    if (bend > 0) scratch[n++] = bend;
  }
  return madSigmaFactor * medianInPlace(scratch, n) / Math.sqrt(6);
}

const floatOf = new Float32Array(1);
const bitsOf = new Int32Array(floatOf.buffer);

/**
 * Sort indices by the samples there, highest first, equal ones in reading order: by one number each that holds both.
 */
function brightestFirst(data: Float32Array, found: Int32Array): Int32Array {
  const places = 2 ** 24;
  const n = found.length;
  if (data.length > places) return found.sort((a, b) => data[b] - data[a] || a - b);

  // Samples above zero are ordered as their bits are; 29 of them leave room for the place.
  const keys = new Float64Array(n);
  const sorted = new Int32Array(n);
  for (let k = 0; k < n; k++) {
    floatOf[0] = data[found[k]];
    keys[k] = found[k] - (bitsOf[0] >>> 2) * places;
  }
  keys.sort();
  for (let k = 0; k < n; k++) sorted[k] = keys[k] - Math.floor(keys[k] / places) * places;
  return sorted;
}

/**
 * Smooth a grid and find its peaks.
 *
 * @param mesh noise of the 2 × 2 grid
 * @param reuse a search whose memory may be overwritten
 */
export function openSearchGrid(
  grid: Grid,
  mesh: Mesh,
  binning: number,
  detectionSigma: number,
  reuse: SearchGrid | null = null,
): SearchGrid {
  const smooth = smoothGrid(grid, reuse === null ? undefined : reuse.smooth.data);
  const { columns, rows } = mesh;
  const tile = mesh.tile * 2 / binning;
  // White noise would be smoothed by its known ratio; what was interpolated or banded is smoothed less. Believe the
  // frame.
  const typical = medianInPlace(Float64Array.from(mesh.noise));
  const ratio = Math.max(smoothedNoiseRatio * 2 / binning, sampledNoise(smooth) / (typical > 0 ? typical : 1));
  const noise = mesh.noise.map((each) => each * ratio);
  const limits = Float32Array.from(noise, (each) => Math.max(each * minimumPeakShare * detectionSigma, 1e-30));
  const peaks = brightestFirst(smooth.data, findPeaks(smooth, limits, columns, rows, tile));
  return { grid, smooth, binning, peaks, noise, columns, rows, tile };
}

/** Noise of the smoothed grid at one of its samples. */
export const smoothedNoiseAt = ({ noise, columns, rows, tile }: SearchGrid, x: number, y: number): number =>
  noise[Math.min(rows - 1, Math.floor(y / tile)) * columns + Math.min(columns - 1, Math.floor(x / tile))];

/** Sub-sample place of a peak along one axis by a parabola through it and its neighbours; 0 at a border. */
function vertex(data: Float32Array, at: number, step: number, atBorder: boolean): number {
  if (atBorder) return 0;
  const a = data[at - step];
  const b = data[at + step];
  const curve = a + b - 2 * data[at];
  return curve < 0 ? Math.max(-0.5, Math.min(0.5, (a - b) / (2 * curve))) : 0;
}

/** Place of a peak in pixels of the frame. */
export function peakPlace({ smooth, binning }: SearchGrid, peak: number): Point {
  const { width, height, data } = smooth;
  const x = peak % width;
  const y = (peak - x) / width;
  return {
    x: binning * (x + vertex(data, peak, 1, x === 0 || x === width - 1)) + (binning - 1) / 2,
    y: binning * (y + vertex(data, peak, width, y === 0 || y === height - 1)) + (binning - 1) / 2,
  };
}

/** Signal-to-noise ratio of the highest smoothed sample next to a pixel of the frame. */
export function peakSnrAt(search: SearchGrid, x: number, y: number): number {
  const { width, height, data } = search.smooth;
  const x0 = Math.round((x - (search.binning - 1) / 2) / search.binning);
  const y0 = Math.round((y - (search.binning - 1) / 2) / search.binning);
  let highest = 0;
  for (let row = Math.max(0, y0 - 1); row <= Math.min(height - 1, y0 + 1); row++) {
    for (let column = Math.max(0, x0 - 1); column <= Math.min(width - 1, x0 + 1); column++) {
      highest = Math.max(highest, data[row * width + column]);
    }
  }
  return highest /
    smoothedNoiseAt(search, Math.min(width - 1, Math.max(0, x0)), Math.min(height - 1, Math.max(0, y0)));
}
