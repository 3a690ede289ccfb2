/**
 * Brings the frames of a night onto one grid: chooses the reference, matches every frame, proves or refuses each map.
 */
import type { Point } from "../core/geometry.ts";
import { settle } from "../core/options.ts";
import { type Progress, silent } from "../core/progress.ts";
import {
  applyTransform,
  chainTransforms,
  identityTransform,
  invertTransform,
  type Transform,
} from "../core/transform.ts";
import { centralReference, chooseReference, mapOf, type Match, matchAll, meritsOf } from "./choose_reference.ts";
import { findPattern, withoutPattern } from "./find_pattern.ts";
import type { TransformModel } from "./fit_transform.ts";
import { frameCentre, frameOf, type FrameToRegister, indexOf, type RegistrationSource } from "./frame_to_register.ts";
import type { FrameMatch, MatchFramesOptions } from "./match_frames.ts";
import { matchStars } from "./match_stars.ts";
import { type ExpectedMatch, expectedMatch } from "./expected_match.ts";
import { phaseCorrelate } from "./phase_correlation.ts";
import { RegistrationError, type RegistrationFailure } from "./registration_error.ts";
import type { MatchableStar } from "./star_list.ts";

/** Options of {@linkcode registerFrames}. */
export interface RegisterFramesOptions {
  /** Index of the reference; `null` chooses it. */
  readonly reference: number | null;
  /** Family of the maps, see {@linkcode fitTransform}. */
  readonly model: TransformModel | "automatic";
  /** What is known of the frames: one rig, limits of scale and the like, or nothing. */
  readonly expected: "same-sensor" | ExpectedMatch | null;
  /** Expected number of matches by mere chance that is still accepted, for each frame. */
  readonly falseAlarms: number;
  /** Receives a report now and then. */
  readonly progress: Progress;
}

/** Defaults of {@linkcode registerFrames}: the frames of one rig. */
export const registerFramesDefaults: Readonly<RegisterFramesOptions> = Object.freeze({
  reference: null,
  model: "automatic",
  expected: "same-sensor",
  falseAlarms: 1e-4,
  progress: silent,
});

/** Where one frame lies, or why that is not known. */
export interface FrameRegistration {
  /** Frame pixel → reference pixel; null without a map. */
  readonly transform: Transform | null;
  /**
   * How the map was found: it is the reference, from its stars, from its stars and those of all others, from pixels.
   */
  readonly method: "reference" | "stars" | "all-stars" | "pixels" | "none";
  /** Stars matched. */
  readonly matchedStars: number;
  /** Root mean square distance of the matched stars, reference pixels; null without any. */
  readonly rmsPixels: number | null;
  /** Share of the stars that ought to be in both lists and were found. */
  readonly share: number;
  /** log10 of the number of equally good matches that chance would give; null for other methods than stars. */
  readonly logFalseAlarms: number | null;
  /** Flux of the frame's stars over the reference's; null when not known. */
  readonly fluxRatio: number | null;
  /** Code of the failure; null when there is a map. */
  readonly failure: RegistrationFailure | null;
  /** Facts and doubts; for a failure the sentence that explains it. */
  readonly notes: readonly string[];
}

/** Result of {@linkcode registerFrames}. */
export interface Registration {
  /** Index of the reference. */
  readonly reference: number;
  /** Frame pixel → reference pixel, one a frame in the order given; null without a map. */
  readonly transforms: readonly (Transform | null)[];
  /** One entry a frame, in the order given. */
  readonly frames: readonly FrameRegistration[];
  /** Sensor places of detections that stand still while the stars move. */
  readonly pattern: readonly Point[];
}

/** Nothing is known of the stars: what the entries without a match begin with. */
const unmatched = {
  matchedStars: 0,
  rmsPixels: null,
  share: 0,
  logFalseAlarms: null,
  fluxRatio: null,
  failure: null,
} as const;

const known = (value: number): number | null => Number.isNaN(value) ? null : value;

const referenceEntry = (frame: FrameToRegister): FrameRegistration => ({
  transform: identityTransform,
  method: "reference",
  matchedStars: frame.stars.length,
  rmsPixels: 0,
  share: 1,
  logFalseAlarms: null,
  fluxRatio: 1,
  failure: null,
  notes: ["reference"],
});

const matchEntry = (match: FrameMatch, method: "stars" | "all-stars"): FrameRegistration => ({
  transform: match.transform,
  method,
  matchedStars: match.matchedStars,
  rmsPixels: match.rmsPixels,
  share: match.share,
  logFalseAlarms: match.logFalseAlarms,
  fluxRatio: known(match.fluxRatio),
  failure: null,
  notes: match.notes,
});

/** Stars of a night at most; the first frames show most of them. */
const maximumMergedStars = 4000;

/** Stars closer than this on the reference grid are one, pixels. */
const sameStar = 4;

/** The stars of all registered frames on the reference grid, each once. */
function mergeStars(
  frames: readonly FrameToRegister[],
  maps: readonly (Transform | null)[],
  reference: number,
): MatchableStar[] {
  const merged: MatchableStar[] = [...frames[reference].stars];
  let index = indexOf(merged, sameStar);
  frames.forEach(({ stars }, i) => {
    const map = maps[i];
    if (map === null || i === reference || merged.length > maximumMergedStars) return;
    const before = merged.length;
    for (const star of stars) {
      const p = applyTransform(map, star.x, star.y);
      if (index.nearest(p.x, p.y, sameStar) < 0) merged.push({ ...star, x: p.x, y: p.y });
    }
    if (merged.length > before) index = indexOf(merged, sameStar);
  });
  return merged;
}

/** A frame against the stars of all others together; null when they have nothing in common. */
function matchMerged(
  frame: FrameToRegister,
  merged: readonly MatchableStar[],
  options: MatchFramesOptions,
): FrameMatch | null {
  try {
    return matchStars(frame, merged, options);
  } catch (error) {
    if (error instanceof RegistrationError) return null;
    throw error;
  }
}

/** A frame by the correlation of its pixels with the reference's; null when that is no more than chance. */
function placeByPixels(
  frame: FrameToRegister,
  reference: FrameToRegister,
  falseAlarms: number,
): FrameRegistration | null {
  if (frame.image === undefined || reference.image === undefined) return null;
  const here = frame.image();
  const there = reference.image();
  if (here.width !== there.width || here.height !== there.height) return null;
  const shift = phaseCorrelate(here, there, { flip: true, falseAlarms });
  if (!shift.trusted || shift.standing) return null;
  const note = `placed by its pixels, without rotation (peak ${shift.significance.toFixed(0)} sigma)`;
  return { ...unmatched, transform: shift.transform, method: "pixels", notes: [note, ...shift.notes] };
}

/** One entry a frame: from its match, or from what else can place a frame that did not match. */
function placeFrames(
  frames: readonly FrameToRegister[],
  matches: readonly Match[],
  reference: number,
  options: MatchFramesOptions,
  falseAlarms: number,
): FrameRegistration[] {
  const maps = matches.map(mapOf);
  let merged: MatchableStar[] | null = null;
  return matches.map((match, i): FrameRegistration => {
    const frame = frames[i];
    if (match === null) return referenceEntry(frame);
    if (!(match instanceof RegistrationError)) return matchEntry(match, "stars");
    merged ??= mergeStars(frames, maps, reference);
    const again = matchMerged(frame, merged, options);
    if (again !== null) {
      maps[i] = again.transform;
      // its stars may join the next frame
      merged = null;
      return matchEntry(again, "all-stars");
    }
    return placeByPixels(frame, frames[reference], falseAlarms) ??
      { ...unmatched, transform: null, method: "none", failure: match.reason, notes: [match.message] };
  });
}

/**
 * Register the frames of a night: any drift, field rotation, meridian flip.
 *
 * The reference is a sharp frame with many stars near the centre of all pointings. Every frame is matched to it,
 * starting from the map of the frame before; every match is judged against chance, and detections that stand still on
 * the sensor while the sky moves are found over the whole night and left out. A frame that cannot be matched is tried
 * against the stars of all others together (a mosaic's panels, a thin cloud), then by the correlation of its pixels;
 * else it is refused with a reason. One bad frame never stops the night.
 *
 * Cost: some milliseconds a frame; for images, a star detection each.
 *
 * @param sources in the order they were taken: images, whose stars are detected, star lists, or frames' qualities
 * @param options reference, family of maps, allowed scales
 * @throws {RangeError} if there is no frame or an option is out of range
 *
 * @example Three frames that drift
 * ```ts
 * import assert from "node:assert/strict";
 * import { registerFrames } from "faintlight";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(2);
 * const stars = Array.from({ length: 40 }, () => ({
 *   x: 800 * random.uniform(), y: 600 * random.uniform(), flux: 100 / (0.02 + random.uniform()),
 * }));
 * const frames = [0, 9, 18].map((drift) => ({
 *   width: 800, height: 600, stars: stars.map((each) => ({ ...each, x: each.x - drift })).filter((each) => each.x > 0),
 * }));
 * const night = registerFrames(frames);
 * assert.equal(night.reference, 1);
 * assert.ok(night.frames.every((each) => each.transform !== null));
 * ```
 */
export function registerFrames(
  sources: readonly RegistrationSource[],
  options: Partial<RegisterFramesOptions> = {},
): Registration {
  const used = settle("registerFrames", registerFramesDefaults, options);
  const { model, falseAlarms, progress, reference: asked } = used;
  const expected = expectedMatch("registerFrames", used.expected);
  if (sources.length === 0) throw new RangeError("registerFrames: frames must be at least one, but got none");
  if (asked !== null && !(Number.isInteger(asked) && asked >= 0 && asked < sources.length)) {
    throw new RangeError(`registerFrames: reference must be 0 … ${sources.length - 1}, but got ${asked}`);
  }
  const rules = { options: { model, expected, falseAlarms }, progress };
  const given = sources.map(frameOf);
  const merit = meritsOf(given);

  let { reference, matches } = chooseReference(given, merit, asked, rules);
  const maps = matches.map(mapOf);
  const pattern = expected.sameSensor ? findPattern(given, maps) : [];
  const frames = pattern.length > 0 ? withoutPattern(given, pattern) : given;
  const central = asked === null ? centralReference(frames, merit, maps, reference) : reference;
  if (central !== reference || pattern.length > 0) {
    const back = invertTransform(maps[central] as Transform);
    const initial = maps.map((each, i) => each === null ? null : chainTransforms(each, back, frameCentre(frames[i])));
    reference = central;
    matches = matchAll(frames, reference, rules, "registering frames", initial);
  }

  // the stars of all frames together stand at no place of a sensor
  const merged = { ...rules.options, expected: { ...expected, sameSensor: false } };
  const placed = placeFrames(frames, matches, reference, merged, falseAlarms);
  return { reference, transforms: placed.map(({ transform }) => transform), frames: placed, pattern };
}
