/** The focus creeps: stars with a flat top, or stars that grow from frame to frame. */
import type { NightGroup } from "../night_group.ts";
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { profileEvidence, wideningOf, wideningStrength, wideningVerdict } from "./wide_stars.ts";

/** Frames before one that are looked at, and of which there must be so many. */
const lookedBack = 4;
const minimumBefore = 3;

/**
 * The width of a creeping focus may fall by so much from frame to frame; over all of them it rises by so much (own).
 */
const fallAllowed = 0.97;
const minimumRise = 1.05;
const riseToNow = 0.92;

function withStars(frame: StarMeasures): CauseFinding | null {
  if (wideningOf(frame) !== "focus drift") return null;
  return {
    cause: "focus drift",
    verdict: wideningVerdict(frame),
    evidence: profileEvidence(frame),
    strength: wideningStrength(frame),
  };
}

/** The rule. */
export const focusDrift: CauseRule = {
  cause: "focus drift",
  remedy: "refocus every hour or two degrees, or let the focuser follow the temperature",
  withStars,
};

/** Places of the group's frames in order of time. */
function inTime({ rows }: NightGroup): number[] {
  const when = (k: number) => rows[k].record.dateUtc ?? rows[k].record.file;
  return rows.map((_, k) => k).sort((a, b) => when(a).localeCompare(when(b)));
}

/** Whether the widths before a frame rise to its own as those of a focus that creeps. */
function isCreeping(before: readonly number[], now: number, { width }: NightGroup): boolean {
  if (before.length < minimumBefore) return false;
  const [first] = before;
  const last = before[before.length - 1];
  // A focus that creeps goes on as it came: a leap after some frames of restless air is none.
  const pace = (last - first) / Math.max(1, before.length - 1);
  return before.every((each, i) => each > width.level && (i === 0 || each >= fallAllowed * before[i - 1])) &&
    now >= fallAllowed * last && now - last < 3 * pace + 2 * width.scatter &&
    last > minimumRise * first && first < riseToNow * now;
}

/**
 * A night whose focus creeps: findings of wide, round stars become focus drift where the frames before rise towards
 * them.
 */
export function followFocus(group: NightGroup, findings: readonly CauseFinding[][]): void {
  const order = inTime(group);
  const widthOf = (k: number) => group.rows[k].quality?.fwhmPixels ?? NaN;
  for (const [p, k] of order.entries()) {
    const at = findings[k].findIndex((each) => each.cause === "poor seeing" || each.cause === "defocus");
    if (at < 0) continue;
    const before = order.slice(Math.max(0, p - lookedBack), p).map(widthOf);
    if (!isCreeping(before, widthOf(k), group)) continue;
    findings[k][at] = {
      ...findings[k][at],
      cause: "focus drift",
      or: undefined,
      evidence: `${findings[k][at].evidence}; rising over ${before.length + 1} frames`,
    };
  }
}
