/** The reference of a night: sharp, with many stars, matched by most frames, near the centre of all pointings. */
import { applyTransform, identityTransform, type Transform } from "../core/transform.ts";
import { median } from "../stats/median.ts";
import { frameCentre, type FrameToRegister } from "./frame_to_register.ts";
import { type FrameMatch, matchFrames, type MatchFramesOptions } from "./match_frames.ts";
import { RegistrationError } from "./registration_error.ts";
import type { Progress } from "../core/progress.ts";

/** What matching a frame to the reference gave; null for the reference itself. */
export type Match = FrameMatch | RegistrationError | null;

/** How the frames of a night are matched. */
export interface MatchRules {
  /** Options that hold for all frames. */
  readonly options: MatchFramesOptions;
  /** Receives a report now and then. */
  readonly progress: Progress;
}

/** Frame pixel → reference pixel; null without a map. */
export const mapOf = (match: Match): Transform | null =>
  match === null ? identityTransform : match instanceof RegistrationError ? null : match.transform;

/** Stars beyond this many times the night's usual number are noise or pattern and count for nothing. */
const maximumStarShare = 1.5;

/** The caller's measure, or depth for point sources: stars over the square of their FWHM. */
export function meritsOf(frames: readonly FrameToRegister[]): number[] {
  const usual = maximumStarShare * median(frames.map((each) => each.stars.length));
  return frames.map(({ stars, merit }) => {
    if (merit !== undefined) return merit;
    const widths = stars.map((each) => each.fwhmPixels ?? NaN).filter((each) => each > 0);
    const fwhm = widths.length > 0 ? median(widths) : 1;
    return Math.min(stars.length, usual) / fwhm ** 2;
  });
}

/**
 * Match every frame against the reference.
 *
 * @param initial a map for each frame that may hold already; left out for none
 * @param label what is being done, for progress
 */
export function matchAll(
  frames: readonly FrameToRegister[],
  reference: number,
  rules: MatchRules,
  label: string,
  initial: readonly (Transform | null)[] = [],
): Match[] {
  const others = frames.map((_, i) => i).filter((i) => i !== reference);
  const tasks = others.map((i) => ({
    width: frames[i].width,
    height: frames[i].height,
    stars: frames[i].stars,
    initialTransform: initial[i] ?? null,
  }));
  const found = matchFrames(tasks, frames[reference], rules.options, rules.progress, label);
  const results = new Map(others.map((i, k) => [i, found[k]]));
  return frames.map((_, i) => results.get(i) ?? null);
}

/** Frames tried as reference when most others do not match the best one. */
const maximumCandidates = 5;

const matchedFrames = (matches: readonly Match[]): number =>
  matches.filter((each) => !(each instanceof RegistrationError)).length;

/** A reference and how the others match it. */
export interface ReferenceChoice {
  /** Index of the reference. */
  readonly reference: number;
  /** One entry a frame. */
  readonly matches: readonly Match[];
}

/**
 * The frame that was asked for, or the one of most merit that most others match: a frame of another field may be the
 * sharpest.
 */
export function chooseReference(
  frames: readonly FrameToRegister[],
  merit: readonly number[],
  asked: number | null,
  rules: MatchRules,
): ReferenceChoice {
  const label = "looking for the reference";
  const order = frames.map((_, i) => i).sort((a, b) => merit[b] - merit[a] || a - b);
  let reference = asked ?? order[0];
  let matches = matchAll(frames, reference, rules, label);
  if (asked !== null) return { reference, matches };
  for (const candidate of order.slice(1, maximumCandidates)) {
    if (matchedFrames(matches) * 2 > frames.length) break;
    const other = matchAll(frames, candidate, rules, label);
    if (matchedFrames(other) > matchedFrames(matches)) {
      matches = other;
      reference = candidate;
    }
  }
  return { reference, matches };
}

/** Merit of a more central frame over the reference's, at least. */
const minimumMeritShare = 0.8;

/** A change of reference for less than this share of the field is not worth it. */
const minimumGainShare = 0.01;

/** Among frames nearly as good as the reference the most central one: it wastes least of the others. */
export function centralReference(
  frames: readonly FrameToRegister[],
  merit: readonly number[],
  maps: readonly (Transform | null)[],
  reference: number,
): number {
  const known = frames.map((_, i) => i).filter((i) => maps[i] !== null);
  const places = known.map((i) => {
    const { x, y } = frameCentre(frames[i]);
    return applyTransform(maps[i] as Transform, x, y);
  });
  const mx = median(places.map((p) => p.x));
  const my = median(places.map((p) => p.y));
  let central = reference;
  let least = Infinity;
  known.forEach((i, k) => {
    const distance = Math.hypot(places[k].x - mx, places[k].y - my);
    if (merit[i] >= minimumMeritShare * merit[reference] && distance < least - 1e-9) {
      least = distance;
      central = i;
    }
  });
  const { x, y } = frameCentre(frames[reference]);
  const gain = Math.hypot(x - mx, y - my) - least;
  return gain < minimumGainShare * frames[reference].width ? reference : central;
}
