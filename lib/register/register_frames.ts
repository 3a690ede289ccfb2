/**
 * Brings the frames of a night onto one grid: chooses the reference, matches every frame, proves or refuses each map.
 */
import type { Point } from "../core/geometry.ts";
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import {
  applyTransform,
  chainTransforms,
  identityTransform,
  invertTransform,
  type Transform,
} from "../core/transform.ts";
import { median } from "../stats/median.ts";
import { type Progress, silent } from "../core/progress.ts";
import type { TransformModel } from "./fit_transform.ts";
import { type FrameMatch, matchFrames } from "./match_frames.ts";
import { matchStars } from "./match_stars.ts";
import { RegistrationError, type RegistrationFailure } from "./registration_error.ts";
import type { MatchableStar } from "./star_list.ts";
import { phaseCorrelate } from "./phase_correlation.ts";
import { PointIndex } from "./point_index.ts";

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

/** Options of {@linkcode registerFrames}. */
export interface RegisterFramesOptions {
  /** Index of the reference; `null` chooses it. */
  readonly reference: number | null;
  /** Family of the maps, see {@linkcode fitTransform}. */
  readonly model: TransformModel | "automatic";
  /** Smallest reference pixels a source pixel. */
  readonly minimumScale: number;
  /** Largest reference pixels a source pixel. */
  readonly maximumScale: number;
  /** Whether all frames come from one sensor, so that its hot pixels stand at the same places. */
  readonly sameSensor: boolean;
  /** Expected number of matches by mere chance that is still accepted, for each frame. */
  readonly falseAlarms: number;
  /** Receives a report now and then. */
  readonly progress: Progress;
}

/**
 * Defaults of {@linkcode registerFrames}: one rig, whose focal length changes by less than 3 % with temperature and
 * focus.
 */
export const registerFramesDefaults: Readonly<RegisterFramesOptions> = Object.freeze({
  reference: null,
  model: "automatic",
  minimumScale: 0.97,
  maximumScale: 1.03,
  sameSensor: true,
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
  /** Root mean square distance of the matched stars, reference pixels; NaN without any. */
  readonly rmsPixels: number;
  /** Share of the stars that ought to be in both lists and were found. */
  readonly share: number;
  /** log10 of the number of equally good matches that chance would give; NaN for other methods than stars. */
  readonly logFalseAlarms: number;
  /** Light of the frame's stars over the reference's; NaN when not known. */
  readonly fluxRatio: number;
  /** Code of the failure; null when there is a map. */
  readonly failure: RegistrationFailure | null;
  /** Facts and doubts; for a failure the sentence that explains it. */
  readonly notes: readonly string[];
}

/** Result of {@linkcode registerFrames}. */
export interface Registration {
  /** Index of the reference. */
  readonly reference: number;
  /** One entry a frame, in the order given. */
  readonly frames: readonly FrameRegistration[];
  /** Sensor places of detections that stand still while the stars move. */
  readonly pattern: readonly Point[];
}

/** Two detections closer than this may be the same sensor pixel. */
const samePixel = 0.75;
/** Stars must have moved at least this far for a detection at the same sensor place to be none. */
const clearlyMoved = 3;

/** Frames tried as reference when most others do not match the best one. */
const candidates = 5;

const typical = (values: readonly number[]): number => median(Float64Array.from(values));

/**
 * The caller's measure, or depth for point sources: stars over the square of their width; counts beyond the night's
 * usual are noise or pattern.
 */
function merits(frames: readonly FrameToRegister[]): number[] {
  const usual = 1.5 * typical(frames.map((each) => each.stars.length));
  return frames.map(({ stars, merit }) => {
    if (merit !== undefined) return merit;
    const widths = stars.map((each) => each.fwhmPixels ?? NaN).filter((each) => each > 0);
    const fwhm = widths.length > 0 ? typical(widths) : 1;
    return Math.min(stars.length, usual) / fwhm ** 2;
  });
}

/** Detections that recur at one sensor place in at least half of the frames while the sky moved past. */
function findPattern(frames: readonly FrameToRegister[], maps: readonly (Transform | null)[]): Point[] {
  const used = frames.map((_, i) => i).filter((i) => maps[i] !== null && frames[i].stars.length > 0);
  if (used.length < 3) return [];
  const few = used.length <= 24 ? used : used.filter((_, k) => k % Math.ceil(used.length / 24) === 0);
  const indices = few.map((i) => {
    const { stars } = frames[i];
    return new PointIndex(Float64Array.from(stars, (s) => s.x), Float64Array.from(stars, (s) => s.y), 2);
  });
  const pattern: Point[] = [];
  const known = (p: Point) => pattern.some((each) => Math.hypot(each.x - p.x, each.y - p.y) < samePixel);
  for (const i of few.slice(0, Math.ceil(few.length / 2) + 1)) {
    for (const { x, y } of frames[i].stars) {
      const sky = few.filter((_, k) => indices[k].nearest(x, y, samePixel) >= 0)
        .map((j) => applyTransform(maps[j] as Transform, x, y));
      if (sky.length < Math.max(3, Math.ceil(few.length / 2)) || known({ x, y })) continue;
      // a star stands still on a guided sensor too; what shows at many places of the sky is none
      const mx = typical(sky.map((p) => p.x));
      const my = typical(sky.map((p) => p.y));
      if (typical(sky.map((p) => Math.hypot(p.x - mx, p.y - my))) >= clearlyMoved) pattern.push({ x, y });
    }
  }
  return pattern;
}

/** The stars of all registered frames on the reference grid, each once. */
function allStars(
  frames: readonly FrameToRegister[],
  maps: readonly (Transform | null)[],
  reference: number,
): MatchableStar[] {
  const out: MatchableStar[] = [...frames[reference].stars];
  let index = new PointIndex(Float64Array.from(out, (s) => s.x), Float64Array.from(out, (s) => s.y), 4);
  frames.forEach(({ stars }, i) => {
    const map = maps[i];
    if (map === null || i === reference || out.length > 4000) return;
    const before = out.length;
    for (const star of stars) {
      const p = applyTransform(map, star.x, star.y);
      if (index.nearest(p.x, p.y, 4) < 0) out.push({ ...star, x: p.x, y: p.y });
    }
    if (out.length > before) {
      index = new PointIndex(Float64Array.from(out, (s) => s.x), Float64Array.from(out, (s) => s.y), 4);
    }
  });
  return out;
}

/**
 * Register the frames of a night: any drift, field rotation, meridian flip.
 *
 * The reference is a sharp frame with many stars near the middle of all pointings. Every frame is matched to it,
 * seeded with the map of the frame before; every match is judged against chance, and detections that stand still on
 * the sensor while the sky moves are found over the whole night and left out. A frame that cannot be matched is tried
 * against the stars of all others together (a mosaic's panels, a thin cloud), then by the correlation of its pixels;
 * else it is refused with a reason. One bad frame never stops the night.
 *
 * Cost: some milliseconds a frame.
 *
 * @param frames in the order they were taken
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
  frames: readonly FrameToRegister[],
  options: Partial<RegisterFramesOptions> = {},
): Registration {
  const used = settle("registerFrames", registerFramesDefaults, options);
  const { model, minimumScale, maximumScale, sameSensor, falseAlarms, progress } = used;
  if (frames.length === 0) throw new RangeError("registerFrames: frames must be at least one, but got none");
  const asked = used.reference;
  if (asked !== null && !(Number.isInteger(asked) && asked >= 0 && asked < frames.length)) {
    throw new RangeError(`registerFrames: reference must be 0 … ${frames.length - 1}, but got ${asked}`);
  }
  const centreOf = (i: number): Point => ({ x: (frames[i].width - 1) / 2, y: (frames[i].height - 1) / 2 });
  const merit = merits(frames);
  let pattern: readonly Point[] = [];
  let kept: readonly (readonly MatchableStar[])[] = frames.map((each) => each.stars);
  const family = { model, minimumScale: minimumScale, maximumScale: maximumScale, falseAlarms };
  /** Every frame against the reference; null for the reference itself. */
  const round = (
    label: string,
    reference: number,
    seeds: readonly (Transform | null)[],
  ): (FrameMatch | RegistrationError | null)[] => {
    const others = frames.map((_, i) => i).filter((i) => i !== reference);
    const tasks = others.map((i) => ({
      width: frames[i].width,
      height: frames[i].height,
      stars: kept[i],
      initialTransform: seeds[i] ?? null,
    }));
    const { width, height } = frames[reference];
    const referenceSize = { width, height };
    const found = matchFrames(tasks, kept[reference], { ...family, sameSensor, referenceSize }, progress, label);
    const results = new Map(others.map((i, k) => [i, found[k]]));
    return frames.map((_, i) => results.get(i) ?? null);
  };
  const mapOf = (found: FrameMatch | RegistrationError | null): Transform | null =>
    found === null ? identityTransform : found instanceof RegistrationError ? null : found.transform;

  // a frame of another field may be the sharpest: the reference must be one that most frames match
  const order = frames.map((_, i) => i).sort((a, b) => merit[b] - merit[a] || a - b);
  let reference = asked ?? order[0];
  let found = round("looking for the reference", reference, []);
  const matches = (each: readonly (FrameMatch | RegistrationError | null)[]) =>
    each.filter((one) => !(one instanceof RegistrationError)).length;
  for (
    let k = 1;
    asked === null && k < Math.min(candidates, order.length) && matches(found) * 2 <= frames.length;
    k++
  ) {
    const other = round("looking for the reference", order[k], []);
    if (matches(other) > matches(found)) {
      found = other;
      reference = order[k];
    }
  }
  let maps = found.map(mapOf);
  pattern = sameSensor ? findPattern(frames, maps) : [];
  if (pattern.length > 0) {
    const index = new PointIndex(Float64Array.from(pattern, (p) => p.x), Float64Array.from(pattern, (p) => p.y), 2);
    kept = frames.map(({ stars }) => stars.filter(({ x, y }) => index.nearest(x, y, samePixel) < 0));
  }
  let next = reference;
  if (asked === null) {
    const known = frames.map((_, i) => i).filter((i) => maps[i] !== null);
    const places = known.map((i) => applyTransform(maps[i] as Transform, centreOf(i).x, centreOf(i).y));
    const mx = typical(places.map((p) => p.x));
    const my = typical(places.map((p) => p.y));
    // among frames nearly as good as the best the most central one wastes least of the others
    let least = Infinity;
    known.forEach((i, k) => {
      const distance = Math.hypot(places[k].x - mx, places[k].y - my);
      if (merit[i] >= 0.8 * merit[reference] && distance < least - 1e-9) {
        least = distance;
        next = i;
      }
    });
    const p = applyTransform(identityTransform, centreOf(reference).x, centreOf(reference).y);
    // not worth a change for less than a hundredth of the field
    if (Math.hypot(p.x - mx, p.y - my) - least < 0.01 * frames[reference].width) next = reference;
  }
  if (next !== reference || pattern.length > 0) {
    const back = invertTransform(maps[next] as Transform);
    const seeds = maps.map((each, i) => each === null ? null : chainTransforms(each, back, centreOf(i)));
    reference = next;
    found = round("registering frames", reference, seeds);
    maps = found.map(mapOf);
  }

  let merged: MatchableStar[] | null = null;
  /** A frame against the stars of all others together; null when they have nothing in common. */
  const matchOne = (i: number, stars: readonly MatchableStar[]): FrameMatch | null => {
    const { width, height } = frames[i];
    try {
      return matchStars(kept[i], stars, { ...family, sameSensor: false, sourceSize: { width, height } });
    } catch (error) {
      if (error instanceof RegistrationError) return null;
      throw error;
    }
  };
  const results = found.map((each, i): FrameRegistration => {
    if (each === null) {
      return {
        transform: identityTransform,
        method: "reference",
        matchedStars: kept[i].length,
        rmsPixels: 0,
        share: 1,
        logFalseAlarms: NaN,
        fluxRatio: 1,
        failure: null,
        notes: ["reference"],
      };
    }
    const fromStars = (one: FrameMatch, method: "stars" | "all-stars"): FrameRegistration => ({
      transform: one.transform,
      method,
      matchedStars: one.matchedStars,
      rmsPixels: one.rmsPixels,
      share: one.share,
      logFalseAlarms: one.logFalseAlarms,
      fluxRatio: one.fluxRatio,
      failure: null,
      notes: one.notes,
    });
    if (!(each instanceof RegistrationError)) return fromStars(each, "stars");
    merged ??= allStars(frames.map((frame, k) => ({ ...frame, stars: kept[k] })), maps, reference);
    const again = matchOne(i, merged);
    if (again !== null) {
      maps[i] = again.transform;
      merged = null;
      return fromStars(again, "all-stars");
    }
    const { image } = frames[i];
    const goal = frames[reference].image;
    if (image !== undefined && goal !== undefined) {
      const here = image();
      const there = goal();
      if (here.width === there.width && here.height === there.height) {
        const shift = phaseCorrelate(here, there, { flip: true, falseAlarms });
        if (shift.trusted && !shift.standing) {
          return {
            transform: shift.transform,
            method: "pixels",
            matchedStars: 0,
            rmsPixels: NaN,
            share: 0,
            logFalseAlarms: NaN,
            fluxRatio: NaN,
            failure: null,
            notes: [
              `placed by its pixels, without rotation (peak ${shift.significance.toFixed(0)} sigma)`,
              ...shift.notes,
            ],
          };
        }
      }
    }
    return {
      transform: null,
      method: "none",
      matchedStars: 0,
      rmsPixels: NaN,
      share: 0,
      logFalseAlarms: NaN,
      fluxRatio: NaN,
      failure: each.reason,
      notes: [each.message],
    };
  });
  return { reference, frames: results, pattern };
}
