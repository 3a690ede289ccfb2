/** The coarse map that lines are sought on: which of its blocks stand out and hold no star. */
import { returnPlane } from "../core/memory.ts";
import type { Raster } from "../core/raster.ts";
import type { Star } from "../core/star.ts";
import { blockMeans } from "../kernels/detection.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { medianInPlace } from "../stats/samples.ts";
import { isLargeMap } from "./trail.ts";

/** Side of the cells whose scatter is taken as the noise of their blocks. */
const cellSide = 12;
/** Least shorter side of a map that can show a line. */
const minimumSide = 24;
/** Height of a block over the scatter of its cell from which on it stands out. */
const minimumBlockSnr = 2.5;
/** Farthest that a star hides blocks. */
const maximumStarBlocks = 6;
/** FWHM assumed where no star says it, pixels. */
const assumedFwhm = 3;

/** Blocks of a map that stand out. */
export interface TrailMap {
  /** Columns of the map. */
  readonly width: number;
  /** Rows of the map. */
  readonly height: number;
  /** Pixels along a side of a block. */
  readonly factor: number;
  /** Columns of the blocks that stand out. */
  readonly xs: readonly number[];
  /** Rows of the blocks that stand out. */
  readonly ys: readonly number[];
}

/** Median of five numbers. */
function medianOfFive(a: number, b: number, c: number, d: number, e: number): number {
  const ab0 = Math.min(a, b);
  const ab1 = Math.max(a, b);
  const cd0 = Math.min(c, d);
  const cd1 = Math.max(c, d);
  // The least of all and the greatest of the first four's pairs cannot be the median.
  const f = Math.max(ab0, cd0);
  const g = Math.min(ab1, cd1);
  return Math.max(Math.min(f, g), Math.min(Math.max(f, g), e));
}

/**
 * The map less the median of five along rows of the medians of five along columns: what is narrow in one direction
 * stays.
 */
function highPass({ width, height, data }: Raster): Float32Array {
  const columns = new Float32Array(data.length);
  const out = new Float32Array(data.length);
  const row = (y: number) => Math.max(0, Math.min(height - 1, y)) * width;
  for (let y = 0; y < height; y++) {
    const a = row(y - 2);
    const b = row(y - 1);
    const c = row(y);
    const d = row(y + 1);
    const e = row(y + 2);
    for (let x = 0; x < width; x++) {
      columns[c + x] = medianOfFive(data[a + x], data[b + x], data[c + x], data[d + x], data[e + x]);
    }
  }
  for (let y = 0; y < height; y++) {
    const c = row(y);
    const at = (x: number) => columns[c + Math.max(0, Math.min(width - 1, x))];
    for (let x = 0; x < width; x++) {
      out[c + x] = data[c + x] - medianOfFive(at(x - 2), at(x - 1), at(x), at(x + 1), at(x + 2));
    }
  }
  return out;
}

/** Robust scatter of each cell of the map, spread over its samples: nebulae are rougher than the sky. */
function localScatter(data: Float32Array, width: number, height: number): Float32Array {
  const out = new Float32Array(data.length);
  const scratch = new Float32Array(cellSide * cellSide);
  for (let y0 = 0; y0 < height; y0 += cellSide) {
    for (let x0 = 0; x0 < width; x0 += cellSide) {
      const x1 = Math.min(width, x0 + cellSide);
      const y1 = Math.min(height, y0 + cellSide);
      let n = 0;
      for (let y = y0; y < y1; y++) for (let x = x0; x < x1; x++) scratch[n++] = Math.abs(data[y * width + x]);
      const scatter = madSigmaFactor * medianInPlace(scratch, n);
      for (let y = y0; y < y1; y++) out.fill(scatter, y * width + x0, y * width + x1);
    }
  }
  return out;
}

/** Radius within which a star hides a line, in FWHM: brighter ones reach further. */
export const hiddenRadius = (star: Star): number => 1.5 + 0.5 * Math.log10(Math.max(1, star.snr));

/** Which blocks of a map stars hide. */
function hiddenBlocks(
  { width, height }: Pick<Raster, "width" | "height">,
  factor: number,
  stars: readonly Star[],
  fwhmPixels: number,
): Uint8Array {
  const hidden = new Uint8Array(width * height);
  for (const star of stars) {
    const reach = Math.min(
      maximumStarBlocks,
      hiddenRadius(star) * (fwhmPixels > 0 ? fwhmPixels : assumedFwhm) / factor,
    );
    const x0 = (star.x - (factor - 1) / 2) / factor;
    const y0 = (star.y - (factor - 1) / 2) / factor;
    for (let y = Math.max(0, Math.round(y0 - reach)); y <= Math.min(height - 1, Math.round(y0 + reach)); y++) {
      for (let x = Math.max(0, Math.round(x0 - reach)); x <= Math.min(width - 1, Math.round(x0 + reach)); x++) {
        hidden[y * width + x] = 1;
      }
    }
  }
  return hidden;
}

/**
 * The blocks that stand out and hold no star; null for frames too small to show a line.
 *
 * @param grid 2 × 2 means of a frame, sky taken off
 * @param stars of the frame
 */
export function trailMap(grid: Raster, stars: readonly Star[], fwhmPixels: number): TrailMap | null {
  let map = grid;
  let factor = 2;
  while (isLargeMap(map)) {
    const next = blockMeans(map.data, map.width, map.height, -1);
    if (map !== grid) returnPlane(map.data);
    map = next;
    factor *= 2;
  }
  const { width, height } = map;
  if (Math.min(width, height) < minimumSide) return null;
  const above = highPass(map);
  const noise = localScatter(above, width, height);
  if (map !== grid) returnPlane(map.data);

  const hidden = hiddenBlocks(map, factor, stars, fwhmPixels);
  const xs: number[] = [];
  const ys: number[] = [];
  for (let y = 0, i = 0; y < height; y++) {
    for (let x = 0; x < width; x++, i++) {
      if (above[i] > minimumBlockSnr * noise[i] && noise[i] > 0 && hidden[i] === 0) {
        xs.push(x);
        ys.push(y);
      }
    }
  }
  return { width, height, factor, xs, ys };
}
