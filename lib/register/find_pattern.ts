/** Detections that stand still on the sensor while the sky moves. */
import type { Point } from "../core/geometry.ts";
import { applyTransform, type Transform } from "../core/transform.ts";
import { median } from "../stats/median.ts";
import { type FrameToRegister, indexOf } from "./frame_to_register.ts";

/** Two detections closer than this may be the same sensor pixel, pixels. */
const samePixel = 0.75;

/** Stars must have moved at least this far for a detection at the same sensor place to be none, reference pixels. */
const minimumMotion = 3;

/** Frames looked at, evenly over the night; more would tell the same. */
const maximumFrames = 24;

/** Detections that recur at one sensor place in at least half of the frames while the sky moved past. */
export function findPattern(frames: readonly FrameToRegister[], maps: readonly (Transform | null)[]): Point[] {
  const used = frames.map((_, i) => i).filter((i) => maps[i] !== null && frames[i].stars.length > 0);
  if (used.length < 3) return [];
  const few = used.length <= maximumFrames
    ? used
    : used.filter((_, k) => k % Math.ceil(used.length / maximumFrames) === 0);
  const indices = few.map((i) => indexOf(frames[i].stars, 2));
  const half = Math.ceil(few.length / 2);
  const pattern: Point[] = [];
  const known = (p: Point) => pattern.some((each) => Math.hypot(each.x - p.x, each.y - p.y) < samePixel);
  for (const i of few.slice(0, half + 1)) {
    for (const { x, y } of frames[i].stars) {
      const sky = few.filter((_, k) => indices[k].nearest(x, y, samePixel) >= 0)
        .map((j) => applyTransform(maps[j] as Transform, x, y));
      if (sky.length < Math.max(3, half) || known({ x, y })) continue;
      // a star stands still on a guided sensor too; what shows at many places of the sky is none
      const mx = median(sky.map((p) => p.x));
      const my = median(sky.map((p) => p.y));
      if (median(sky.map((p) => Math.hypot(p.x - mx, p.y - my))) >= minimumMotion) pattern.push({ x, y });
    }
  }
  return pattern;
}

/** The frames without the stars that belong to the pattern. */
export function withoutPattern(frames: readonly FrameToRegister[], pattern: readonly Point[]): FrameToRegister[] {
  const index = indexOf(pattern, 2);
  return frames.map((frame) => ({
    ...frame,
    stars: frame.stars.filter(({ x, y }) => index.nearest(x, y, samePixel) < 0),
  }));
}
