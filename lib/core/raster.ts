/** One plane of samples with its size: what the routines below an {@linkcode Image} work on. */
import type { Image } from "./image.ts";

/** Samples row by row, and how they lie. */
export interface Raster {
  /** width × height samples; NaN means no data. */
  readonly data: Float32Array;
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
}

/** The rasters of an image's planes, in their order. */
export const rastersOf = ({ planes, width, height }: Pick<Image, "planes" | "width" | "height">): Raster[] =>
  planes.map(({ data }) => ({ data, width, height }));

/** Whole columns and rows from … to, both included; empty when a first one lies behind its last. */
export interface PixelBox {
  /** First column. */
  readonly x0: number;
  /** Last column. */
  readonly x1: number;
  /** First row. */
  readonly y0: number;
  /** Last row. */
  readonly y1: number;
}

/** The pixels of a raster within `reach` columns and rows of a place. */
export const boxAbout = (
  { width, height }: Pick<Raster, "width" | "height">,
  x: number,
  y: number,
  reach: number,
): PixelBox => ({
  x0: Math.max(0, Math.ceil(x - reach)),
  x1: Math.min(width - 1, Math.floor(x + reach)),
  y0: Math.max(0, Math.ceil(y - reach)),
  y1: Math.min(height - 1, Math.floor(y + reach)),
});
