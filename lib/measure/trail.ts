/** A straight trail, and how near a place lies to it. */
import type { Point } from "../core/geometry.ts";
import type { Raster } from "../core/raster.ts";

/** A line through a frame or a map, from border to border. */
export interface Chord {
  /** Where it enters. */
  readonly from: Point;
  /** Where it leaves. */
  readonly to: Point;
}

/** A straight trail; its ends are known to a pixel or two, what else is said of its line to half a degree. */
export interface Trail extends Chord {
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

/**
 * Where a line enters and leaves a frame or a map, and how long it is in between; 0 for one that misses it.
 *
 * @param degrees its direction
 * @param offset its distance from the middle along its normal, see {@linkcode offsetAlongNormal}
 */
export function chordAcross(
  degrees: number,
  offset: number,
  { width, height }: FrameSize,
): Chord & { readonly length: number } {
  const dx = Math.cos(degrees * Math.PI / 180);
  const dy = Math.sin(degrees * Math.PI / 180);
  const x = (width - 1) / 2 + offset * dy;
  const y = (height - 1) / 2 - offset * dx;
  let first = -Infinity;
  let last = Infinity;
  for (const [place, step, end] of [[x, dx, width - 1], [y, dy, height - 1]]) {
    if (Math.abs(step) < 1e-9) {
      if (place < 0 || place > end) return { length: 0, from: { x, y }, to: { x, y } };
      continue;
    }
    first = Math.max(first, Math.min(-place / step, (end - place) / step));
    last = Math.min(last, Math.max(-place / step, (end - place) / step));
  }
  return {
    length: Math.max(0, last - first),
    from: { x: x + first * dx, y: y + first * dy },
    to: { x: x + last * dx, y: y + last * dy },
  };
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
