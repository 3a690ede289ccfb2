/** The frame shows another field than the others. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { percent } from "./evidence.ts";

/** Well measured stars from which on a match is expected, where this share of the group could be matched (own). */
const minimumStars = 15;
const minimumMatchedShare = 0.6;

/** Share of the group's overlap below which a frame is off target, and below which it is rejected (own). */
const minimumOverlap = 0.75;
const rejectOverlap = 0.5;

/** Whether stars that are good enough to be matched are none of those the other frames show. */
function isElsewhere({ quality, group, transparency, widthGrowth, axisRatio }: StarMeasures, count: number): boolean {
  return transparency.found.length === 0 && group.matchedShare > minimumMatchedShare && count >= minimumStars &&
    widthGrowth < 2 && quality.doubling === null && axisRatio < 2;
}

function withStars(frame: StarMeasures): CauseFinding | null {
  const { quality, group, transparency: { overlap } } = frame;
  const count = quality.stars.filter((star) => !star.saturated && star.snr >= 8).length;
  if (isElsewhere(frame, count)) {
    return {
      cause: "off target",
      verdict: "reject",
      evidence: `none of ${count} stars is one that the other frames show`,
      strength: 3,
      conclusive: true,
    };
  }
  if (!(overlap < minimumOverlap * group.overlap)) return null;
  return {
    cause: "off target",
    verdict: overlap < rejectOverlap * group.overlap ? "reject" : "down-weight",
    evidence: `shows ${percent(overlap)} of the field of the others (night ${percent(group.overlap)})`,
    strength: minimumOverlap * group.overlap / Math.max(0.05, overlap),
  };
}

/** The rule. */
export const offTarget: CauseRule = {
  cause: "off target",
  remedy: "check where the mount points before the run and after a meridian flip",
  withStars,
};
