/** A straight trail, and how near a place lies to it. */
import type { Raster } from "../core/raster.ts";

/** A straight trail. */
export interface Trail {
  /** Direction, from +x towards +y, 0 … 180. */
  readonly degrees: number;
  /** Distance of the line from the middle of the frame, pixels, along its normal (direction − 90°). */
  readonly offsetPixels: number;
  /** Share of the line within the frame on which it shows, where no star hides it. */
  readonly coverage: number;
  /** How far it stands out, in standard deviations of chance. */
  readonly significance: number;
}

/** Size of a frame. */
export type FrameSize = Pick<Raster, "width" | "height">;

/**
 * Largest side of the map lines are sought on: a trail three pixels wide and as bright as the noise is 3 sigma in a
 * block of 8 × 8.
 */
const maximumMapSide = 260;

/** Pixels along a side of a block of the map: the means of 2 × 2 pixels, halved until they are few enough. */
export function mapFactor({ width, height }: FrameSize): number {
  let factor = 2;
  while (Math.max(width, height) / factor > maximumMapSide) factor *= 2;
  return factor;
}

/** Whether a map is still too large. */
export const isLargeMap = ({ width, height }: FrameSize): boolean => Math.max(width, height) > maximumMapSide;

/** Signed distance of a place from the middle of a frame, pixels, along the normal of a direction. */
export function offsetAlongNormal(degrees: number, x: number, y: number, { width, height }: FrameSize): number {
  const angle = degrees * Math.PI / 180;
  return (x - (width - 1) / 2) * Math.sin(angle) - (y - (height - 1) / 2) * Math.cos(angle);
}

/** Distance of a place from a trail's line, pixels, without sign. */
export const trailDistance = (trail: Trail, x: number, y: number, size: FrameSize): number =>
  Math.abs(offsetAlongNormal(trail.degrees, x, y, size) - trail.offsetPixels);

/**
 * How far from its line a trail may reach, pixels: lines are known to half a block and half a degree, a trail is a few
 * pixels wide.
 */
export const trailReach = (size: FrameSize): number =>
  mapFactor(size) + Math.hypot(size.width, size.height) / 4 * Math.PI / 180 + 3;
