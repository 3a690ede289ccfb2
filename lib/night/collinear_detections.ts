/** Rows of detections that are no stars of the field: the flashes of an aircraft lie on a line. */
import type { Point } from "../core/geometry.ts";

/** Rows of that many detections that chance may make in a frame at most, above which none is believed. */
const maximumChanceRows = 1e-3;

/** A row is sought among so many of the brightest detections, one number after the other. */
const searchedCounts = [20, 40, 80] as const;

/** A detection belongs to a line that passes it within this distance, pixels. */
const lineReach = 1.5;

/**
 * Largest share of a row's length that may be empty: what overflows from a bright star lies in a heap, and with any
 * detection far off it makes a row.
 */
const maximumGapShare = 0.6;

/** Whether the detections on the line through two of them are spread along it. */
function isSpread(detections: readonly Point[], a: Point, b: Point): boolean {
  const dx = b.x - a.x;
  const dy = b.y - a.y;
  const length = Math.hypot(dx, dy);
  const along = detections
    .filter(({ x, y }) => Math.abs((x - a.x) * dy - (y - a.y) * dx) < lineReach * length)
    .map(({ x, y }) => ((x - a.x) * dx + (y - a.y) * dy) / length)
    .sort((p, q) => p - q);
  const gaps = along.slice(1).map((each, i) => each - along[i]);
  return Math.max(...gaps) <= maximumGapShare * (along[along.length - 1] - along[0]);
}

/** The line through two detections that passes most others, which lie spread along it. */
function fullestLine(detections: readonly Point[], shorterSide: number): { others: number; degrees: number } {
  const n = detections.length;
  let most = 0;
  let degrees = 0;
  for (let i = 0; i < n; i++) {
    for (let j = i + 1; j < n; j++) {
      const dx = detections[j].x - detections[i].x;
      const dy = detections[j].y - detections[i].y;
      const length = Math.hypot(dx, dy);
      if (length < 0.15 * shorterSide) continue;
      let others = -2;
      for (const { x, y } of detections) {
        if (Math.abs((x - detections[i].x) * dy - (y - detections[i].y) * dx) < lineReach * length) others++;
      }
      if (others > most && isSpread(detections, detections[i], detections[j])) {
        most = others;
        degrees = (Math.atan2(dy, dx) * 180 / Math.PI + 180) % 180;
      }
    }
  }
  return { others: most, degrees };
}

/** Direction of the fullest line where chance would hardly ever make one as full; else null. */
function unlikelyLine(detections: readonly Point[], shorterSide: number): number | null {
  const n = detections.length;
  if (n < 5) return null;
  const expected = (n - 2) * 3 / shorterSide;
  const { others, degrees } = fullestLine(detections, shorterSide);
  // Poisson tail: its first term and the geometric bound of the rest.
  let term = Math.exp(-expected);
  for (let k = 1; k <= others; k++) term *= expected / k;
  const tail = term / Math.max(0.1, 1 - expected / (others + 1));
  return others >= 3 && n * (n - 1) / 2 * tail < maximumChanceRows / searchedCounts.length ? degrees : null;
}

/**
 * Direction of a row of detections: a line through two of them that passes within 1.5 pixels of more others than
 * chance allows. The lamps of an aircraft are alike and bright, so the brightest are looked at first: faint detections
 * that no other frame shows make rows by chance.
 *
 * @param detections brightest first
 * @returns degrees from +x towards +y, 0 … 180; null when there is no row
 */
export function collinearDirection(detections: readonly Point[], width: number, height: number): number | null {
  const shorterSide = Math.min(width, height);
  for (const count of searchedCounts) {
    const degrees = unlikelyLine(detections.slice(0, count), shorterSide);
    if (degrees !== null) return degrees;
  }
  return null;
}
