/** What registration knows of a frame: its size, its stars and, when it comes to that, its pixels. */
import type { Point } from "../core/geometry.ts";
import type { Image } from "../core/image.ts";
import { detectStars } from "../stars/detect_stars.ts";
import { PointIndex } from "./point_index.ts";
import type { MatchableStar } from "./star_list.ts";

/** A frame to be registered. */
export interface FrameToRegister {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Its stars, pixels, any order. */
  readonly stars: readonly MatchableStar[];
  /**
   * How well it serves as reference, in any measure; left out for depth on point sources (stars over the square of
   * FWHM).
   */
  readonly merit?: number;
  /** Its pixels, called for only when the stars do not suffice. */
  readonly image?: () => Image;
}

/** An image, whose stars are detected, or a frame whose stars are known: a star list, a frame's quality. */
export type RegistrationSource = Image | FrameToRegister;

/**
 * Detect the stars of an image. The pixels of a mosaic correlate with its own pattern, so they are not offered: a
 * mosaic is placed by its stars or not at all.
 */
export function frameOf(source: RegistrationSource): FrameToRegister {
  if (!("planes" in source)) return source;
  const { width, height, geometry } = source;
  const { stars } = detectStars(source);
  return { width, height, stars, ...(geometry.bayer === null ? { image: () => source } : {}) };
}

/** The centre of a frame, pixels. */
export const frameCentre = ({ width, height }: Pick<FrameToRegister, "width" | "height">): Point => ({
  x: (width - 1) / 2,
  y: (height - 1) / 2,
});

/** Stars by their places, in cells no smaller than `minimumCell` pixels. */
export const indexOf = (stars: readonly Point[], minimumCell: number): PointIndex =>
  new PointIndex(Float64Array.from(stars, (s) => s.x), Float64Array.from(stars, (s) => s.y), minimumCell);
