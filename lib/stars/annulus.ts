/** Samples about a star: within a square, on a circle, between two circles. */
import { boxAbout, type Raster } from "../core/raster.ts";
import { ellipticalDistance, type StarPlace } from "./psf.ts";

/** The ring between two circles about a place, borders included; pixels. */
export interface Annulus {
  /** Column of the centre. */
  readonly x: number;
  /** Row of the centre. */
  readonly y: number;
  /** Inner radius. */
  readonly inner: number;
  /** Outer radius. */
  readonly outer: number;
}

/** Samples of a raster within an annulus that have data, row by row. */
export function annulusSamples(raster: Raster, { x, y, inner, outer }: Annulus): Float64Array {
  const { data, width } = raster;
  const { x0, x1, y0, y1 } = boxAbout(raster, x, y, outer);
  const samples = new Float64Array(Math.max(0, x1 - x0 + 1) * Math.max(0, y1 - y0 + 1));
  let n = 0;
  for (let j = y0; j <= y1; j++) {
    for (let i = x0; i <= x1; i++) {
      const squared = (i - x) * (i - x) + (j - y) * (j - y);
      const v = data[j * width + i];
      if (squared >= inner * inner && squared <= outer * outer && v === v) samples[n++] = v;
    }
  }
  return samples.subarray(0, n);
}

/** Pixels about a star, row by row. */
export interface PixelsAbout {
  /** Indices of the samples. */
  readonly at: Int32Array;
  /** Elliptical distance of each from the star's centre. */
  readonly distances: Float64Array;
}

/** The pixels with data within `reach` columns and rows of a star. */
export function pixelsAbout(raster: Raster, place: StarPlace, reach: number): PixelsAbout {
  const { data, width } = raster;
  const { x0, x1, y0, y1 } = boxAbout(raster, place.x, place.y, reach);
  const size = Math.max(0, x1 - x0 + 1) * Math.max(0, y1 - y0 + 1);
  const at = new Int32Array(size);
  const distances = new Float64Array(size);
  let n = 0;
  for (let y = y0; y <= y1; y++) {
    for (let x = x0; x <= x1; x++) {
      const i = y * width + x;
      if (data[i] !== data[i]) continue;
      at[n] = i;
      distances[n++] = ellipticalDistance(place, x - place.x, y - place.y);
    }
  }
  return { at: at.subarray(0, n), distances: distances.subarray(0, n) };
}

/** Sixteen directions, as points of the unit circle to four places, so that they are the same on every machine. */
export const directionX: readonly number[] = [
  1,
  0.9231,
  0.7071,
  0.3846,
  0,
  -0.3846,
  -0.7071,
  -0.9231,
  -1,
  -0.9231,
  -0.7071,
  -0.3846,
  0,
  0.3846,
  0.7071,
  0.9231,
];
/** See {@linkcode directionX}. */
export const directionY: readonly number[] = [
  0,
  0.3846,
  0.7071,
  0.9231,
  1,
  0.9231,
  0.7071,
  0.3846,
  0,
  -0.3846,
  -0.7071,
  -0.9231,
  -1,
  -0.9231,
  -0.7071,
  -0.3846,
];

/** The samples nearest to sixteen points on a circle that have data. */
export function circleSamples(raster: Raster, x: number, y: number, radius: number): Float64Array {
  const { data, width, height } = raster;
  const samples = new Float64Array(directionX.length);
  let n = 0;
  for (let k = 0; k < directionX.length; k++) {
    const i = Math.round(x + radius * directionX[k]);
    const j = Math.round(y + radius * directionY[k]);
    if (i < 0 || j < 0 || i >= width || j >= height) continue;
    const v = data[j * width + i];
    if (v === v) samples[n++] = v;
  }
  return samples.subarray(0, n);
}
