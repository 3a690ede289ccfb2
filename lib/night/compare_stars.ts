/** The stars of a frame compared one by one with those of the reference, once the map between them is known. */
import type { Point } from "../core/geometry.ts";
import type { Star } from "../core/star.ts";
import { applyTransform, invertTransform, type Transform } from "../core/transform.ts";
import { median } from "../stats/median.ts";
import { type FrameStars, isUsable } from "./reference_frame.ts";

/** A star of the reference that the frame ought to show. */
export interface ComparedStar extends Point {
  /** Its place in the reference's list. */
  readonly known: number;
  /** Flux over that in the reference; 0 when missing, NaN when it is too faint to tell. */
  readonly ratio: number;
}

/** What two frames have in common. */
export interface Comparison {
  /** Places in the frame's list of the stars that the reference shows too. */
  readonly found: readonly number[];
  /** Places in the frame's list of what the reference covers well and does not show. */
  readonly strange: readonly number[];
  /** The stars of the reference that the frame ought to show. */
  readonly pairs: readonly ComparedStar[];
  /** Share of this frame's area that the reference shows too. */
  readonly overlap: number;
}

/** A star nearer to the border than this is not missed, pixels. */
const borderMargin = 12;

/** Signal-to-noise ratio that a star of the reference must have in the frame to be missed (own). */
const minimumMissedSnr = 15;

/** Points of the grid on which the common area is counted, across and down. */
const overlapGrid = 12;

/** Place of the star nearest to a point within reach; −1 where there is none. */
function nearestStar(stars: readonly Star[], { x, y }: Point, reach: number): number {
  let nearest = -1;
  let nearestDistance = reach;
  for (let j = 0; j < stars.length; j++) {
    const distance = Math.hypot(stars[j].x - x, stars[j].y - y);
    if (distance < nearestDistance) {
      nearestDistance = distance;
      nearest = j;
    }
  }
  return nearest;
}

/** Share of a frame's area that the reference shows too. */
function sharedArea({ width, height }: FrameStars, reference: FrameStars, transform: Transform): number {
  let inside = 0;
  for (let r = 0; r < overlapGrid; r++) {
    for (let c = 0; c < overlapGrid; c++) {
      const { x, y } = applyTransform(transform, (c + 0.5) / overlapGrid * width, (r + 0.5) / overlapGrid * height);
      if (x >= 0 && y >= 0 && x <= reference.width && y <= reference.height) inside++;
    }
  }
  return inside / (overlapGrid * overlapGrid);
}

/** Whether a place lies within a frame and not near its border. */
const isWithin = ({ x, y }: Point, { width, height }: FrameStars): boolean =>
  x >= borderMargin && y >= borderMargin && x <= width - 1 - borderMargin && y <= height - 1 - borderMargin;

/** Stars of the reference that the frame should show as brightly as others, within its borders, and does not. */
function missingStars(
  frame: FrameStars,
  reference: FrameStars,
  transform: Transform,
  { taken, gain }: { readonly taken: ReadonlySet<number>; readonly gain: number },
): ComparedStar[] {
  const inverse = invertTransform(transform);
  return reference.stars.flatMap((star, known): ComparedStar[] => {
    if (taken.has(known) || star.saturated || star.snr * gain < minimumMissedSnr) return [];
    const place = applyTransform(inverse, star.x, star.y);
    return isWithin(place, frame) ? [{ x: place.x, y: place.y, known, ratio: 0 }] : [];
  });
}

/**
 * Compare star by star.
 *
 * @param transform from the frame to the reference
 */
export function compareStars(frame: FrameStars, reference: FrameStars, transform: Transform): Comparison {
  const pairs: ComparedStar[] = [];
  const found: number[] = [];
  const strange: number[] = [];
  const taken = new Set<number>();
  const snrRatios: number[] = [];
  const known = reference.stars;
  for (const [i, star] of frame.stars.entries()) {
    const place = applyTransform(transform, star.x, star.y);
    // The centroid of a shaken or trailed star is less certain than a point's.
    const nearest = nearestStar(known, place, Math.max(2, 0.5 * star.fwhmPixels));
    if (nearest < 0 || taken.has(nearest)) {
      if (isWithin(place, reference)) strange.push(i);
      continue;
    }
    taken.add(nearest);
    found.push(i);
    const comparable = isUsable(star) && isUsable(known[nearest]);
    if (comparable) snrRatios.push(star.snr / known[nearest].snr);
    const ratio = comparable ? star.flux / known[nearest].flux : NaN;
    pairs.push({ x: star.x, y: star.y, known: nearest, ratio });
  }
  // A star is missed only where one as bright shows elsewhere: wide, trailed or dimmed stars are fainter all over.
  const gain = snrRatios.length === 0 ? 0 : median(snrRatios);
  pairs.push(...missingStars(frame, reference, transform, { taken, gain }));
  return { found, strange, pairs, overlap: sharedArea(frame, reference, transform) };
}
