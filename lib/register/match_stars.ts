/** Which star of one frame is which star of another, and the map between the frames. */
import { settle } from "../core/options.ts";
import { applyTransform, identityTransform, type Transform } from "../core/transform.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median, weightedMedian } from "../stats/median.ts";
import { logBinomialTail } from "../stats/special_functions.ts";
import { type ExpectedMatch, expectedMatch } from "./expected_match.ts";
import type { TransformModel } from "./fit_transform.ts";
import { type Hypothesis, judgeMatch, type MatchSettings, oneTrial, pairLists } from "./judge_match.ts";
import { PointIndex } from "./point_index.ts";
import { areaRatio, mutualPairs, refineMatch, type StarPair } from "./refine_match.ts";
import { RegistrationError } from "./registration_error.ts";
import { searchMatch } from "./search_match.ts";
import {
  type Box,
  boxOf,
  brightest,
  type MatchableStar,
  medianFwhm,
  type SortedStars,
  sortStars,
  starsOfSource,
  type StarSource,
  subset,
} from "./star_list.ts";

/** Options of {@linkcode matchStars}. */
export interface MatchStarsOptions {
  /** A map that may hold already, for example that of the frame before; tried first. `null` starts from nothing. */
  readonly initialTransform: Transform | null;
  /** Family of the final map, see {@linkcode fitTransform}. */
  readonly model: TransformModel | "automatic";
  /**
   * Distance within which a moved star counts as found, reference pixels; `null` takes half the stars' FWHM, at least
   * 1.5.
   */
  readonly tolerancePixels: number | null;
  /** What is known of the two frames: one rig, limits of scale and the like, or nothing. */
  readonly expected: "same-sensor" | ExpectedMatch | null;
  /** Brightest stars of each list that the final map is fitted to. */
  readonly maximumStars: number;
  /** Expected number of matches by mere chance that is still accepted. */
  readonly falseAlarms: number;
}

/**
 * Defaults of {@linkcode matchStars}. One wrong match in 10 000 frames is more than a lifetime of nights can show;
 * 400 stars of 0.1 px each fix the map to 0.01 px.
 */
export const matchStarsDefaults: Readonly<MatchStarsOptions> = Object.freeze({
  initialTransform: null,
  model: "automatic",
  tolerancePixels: null,
  expected: null,
  maximumStars: 400,
  falseAlarms: 1e-4,
});

/** Result of {@linkcode matchStars}. */
export interface StarMatch {
  /** The pairs the map was fitted to. */
  readonly pairs: readonly StarPair[];
  /** Source pixel → reference pixel. */
  readonly transform: Transform;
  /** Family of the map. */
  readonly model: TransformModel;
  /** Number of pairs. */
  readonly matchedStars: number;
  /** Root mean square distance of the pairs, reference pixels. */
  readonly rmsPixels: number;
  /** Share of the stars that ought to be in both lists and were found (the poorer list decides), 0 … 1. */
  readonly share: number;
  /** log10 of the number of equally good matches that chance would give. */
  readonly logFalseAlarms: number;
  /** Whether the frame is turned over. */
  readonly mirrored: boolean;
  /** Whether the initial transform held, so that nothing was searched. */
  readonly initialTransformHeld: boolean;
  /** Whether the matched points stand still on the sensor: well-guided stars, or the sensor's fixed pattern. */
  readonly standing: boolean;
  /** Number of detections left out because they stand still while the stars move. */
  readonly patternPoints: number;
  /**
   * Median ratio of flux, source / reference, over the pairs, each by the root of its flux; NaN when fluxes are not
   * positive.
   */
  readonly fluxRatio: number;
  /** Relative scatter of that ratio for one star (1.4826 × MAD / median). */
  readonly fluxRatioScatter: number;
  /** Facts and doubts a reader should see. */
  readonly notes: readonly string[];
}

function checkOptions(used: Readonly<MatchStarsOptions>): void {
  const { falseAlarms, maximumStars, tolerancePixels } = used;
  if (!(falseAlarms > 0 && falseAlarms < 1)) {
    throw new RangeError(`matchStars: falseAlarms must lie between 0 and 1, but got ${falseAlarms}`);
  }
  if (!(Number.isInteger(maximumStars) && maximumStars >= 3)) {
    throw new RangeError(`matchStars: maximumStars must be a whole number from 3, but got ${maximumStars}`);
  }
  if (tolerancePixels !== null && !(tolerancePixels > 0)) {
    throw new RangeError(`matchStars: tolerancePixels must be > 0, but got ${tolerancePixels}`);
  }
}

/** Two sorted lists that a map is looked for between. */
interface Lists {
  readonly source: SortedStars;
  readonly reference: SortedStars;
}

/** Points closer than this at no shift at all may be the same sensor pixel. */
const standingPixels = 0.75;

/** Chance below which that many points at the same sensor pixels are no accident. */
const standingChance = 1e-3;

/**
 * Detections at the same sensor pixels in both lists, as places in the sorted lists; empty where chance explains them.
 */
interface Standing {
  readonly source: ReadonlySet<number>;
  readonly reference: ReadonlySet<number>;
}

function findStanding({ source, reference }: Lists, settings: MatchSettings): Standing {
  const { area } = settings;
  const index = new PointIndex(reference.x, reference.y, 4);
  const { from, to } = mutualPairs(identityTransform, { source, reference, index }, standingPixels);
  const surface = Math.max(1, (area.x1 - area.x0) * (area.y1 - area.y0));
  const chance = Math.min(1, Math.PI * standingPixels ** 2 * reference.count / surface);
  const real = from.length >= 4 && logBinomialTail(from.length, source.count, chance) < Math.log(standingChance);
  return real ? { source: new Set(from), reference: new Set(to) } : { source: new Set(), reference: new Set() };
}

/** Whether a map leaves the corners of the frame where they are. */
function isStill(transform: Transform, { x0, y0, x1, y1 }: Box): boolean {
  return [[x0, y0], [x1, y0], [x0, y1], [x1, y1]].every(([x, y]) => {
    const p = applyTransform(transform, x, y);
    return Math.hypot(p.x - x, p.y - y) < 2 * standingPixels;
  });
}

/** Stars of each list that a single map is judged by. */
const judgedStars = 200;

/** The chance of a map that was not made from the lists, by their brightest stars. */
function judgeAlone(transform: Transform, { source, reference }: Lists, settings: MatchSettings): Hypothesis {
  const lists = pairLists(brightest(source, judgedStars), brightest(reference, judgedStars), settings);
  return judgeMatch(transform, lists, settings, oneTrial);
}

/** A map that chance does not explain, and the lists it was found between. */
interface FoundMatch extends Lists {
  readonly hypothesis: Hypothesis;
  readonly initialTransformHeld: boolean;
  readonly patternPoints: number;
}

/**
 * Share of the poorer list that the initial transform must match: the rest may be faint, blended or beyond the edge.
 */
const minimumInitialShare = 0.7;

/**
 * The initial transform where it holds; else a match of what moves, when much stands still on the sensor; else no
 * motion at all; else a search over everything.
 */
function findMatch(
  lists: Lists,
  standing: Standing,
  box: Box,
  initialTransform: Transform | null,
  settings: MatchSettings,
): FoundMatch | null {
  const { source, reference } = lists;
  const accepted = (each: Hypothesis | null): each is Hypothesis =>
    each !== null && each.logFalseAlarms < settings.logAccept;
  const foundBy = (hypothesis: Hypothesis, initialTransformHeld: boolean): FoundMatch => ({
    ...lists,
    hypothesis,
    initialTransformHeld,
    patternPoints: 0,
  });

  const initial = initialTransform === null ? null : judgeAlone(initialTransform, lists, settings);
  if (accepted(initial)) {
    const most = Math.min(source.count, reference.count, judgedStars);
    const mayHold = standing.source.size === 0 || !isStill(initial.transform, box);
    if (initial.matched >= minimumInitialShare * most && mayHold) return foundBy(initial, true);
  }
  if (standing.source.size > 0) {
    const moving: Lists = {
      source: subset(source, (i) => !standing.source.has(i)),
      reference: subset(reference, (j) => !standing.reference.has(j)),
    };
    const moved = searchMatch(moving.source, moving.reference, settings);
    if (accepted(moved) && !isStill(moved.transform, box)) {
      return { ...moving, hypothesis: moved, initialTransformHeld: false, patternPoints: standing.source.size };
    }
    const still = judgeAlone(identityTransform, lists, settings);
    if (accepted(still)) return foundBy(still, false);
  }
  const searched = searchMatch(source, reference, settings);
  if (accepted(searched)) return foundBy(searched, false);
  return accepted(initial) ? foundBy(initial, true) : null;
}

/**
 * Width below which points are taken for hot pixels: one measures about a pixel across, and no optics make such stars.
 */
const maximumHotPixelFwhm = 1.1;

/** Refuse points that agree only because they are the sensor's own. */
function refuseHotPixels(pairs: readonly StarPair[], stars: readonly MatchableStar[]): void {
  const width = medianFwhm(pairs.map(({ sourceIndex }) => stars[sourceIndex]));
  if (!(width < maximumHotPixelFwhm)) return;
  throw new RegistrationError(
    "fixed-pattern",
    `matchStars: stars must move or be wider than a pixel, but the ${pairs.length} points that agree ` +
      `stand still and are ${width.toFixed(2)} px wide: hot pixels; subtract the dark`,
  );
}

/** Flux of the source's stars over the reference's, and the relative scatter of that ratio for one star. */
function fluxRatioOf(
  pairs: readonly StarPair[],
  source: readonly MatchableStar[],
  reference: readonly MatchableStar[],
): { readonly fluxRatio: number; readonly fluxRatioScatter: number } {
  const compared = pairs.map(({ sourceIndex, referenceIndex }) => ({
    ratio: source[sourceIndex].flux / reference[referenceIndex].flux,
    flux: reference[referenceIndex].flux,
  })).filter(({ ratio, flux }) => ratio > 0 && Number.isFinite(ratio) && flux > 0);
  const ratios = compared.map(({ ratio }) => ratio);
  // By the root of the flux: faint stars know little of the ratio, and of those only the ones that noise brightened
  // are listed.
  const fluxRatio = ratios.length === 0 ? NaN : weightedMedian(ratios, compared.map(({ flux }) => Math.sqrt(flux)));
  const deviation = median(ratios.map((each) => Math.abs(each - fluxRatio)));
  return { fluxRatio, fluxRatioScatter: madSigmaFactor * deviation / fluxRatio };
}

function requireStars({ source, reference }: Lists): void {
  if (source.count >= 3 && reference.count >= 3) return;
  throw new RegistrationError(
    "too-few-stars",
    `matchStars: both lists must hold at least 3 stars, but got ${source.count} and ${reference.count}; ` +
      "lower the detection threshold",
  );
}

/** Says what was left out because it does not move with the sky. */
const patternNotes = (points: number, matched: number): readonly string[] =>
  points === 0 ? [] : [
    `${points} detections stand still on the sensor while ${matched} stars move: taken for fixed pattern and left out`,
  ];

/** Share of the stars that ought to be in both lists below which a match is doubted. */
const minimumShare = 0.3;

/**
 * Find which stars of two frames are the same, and the map between the frames: any shift, rotation (meridian flip,
 * alt-az field rotation) and scale, turned over or not.
 *
 * Triangles of bright stars are compared by shape (Groth 1986, AJ 91, 1244; Valdes et al. 1995, PASP 107, 1119), pairs
 * of stars collect votes, the best-voted triangles give similarities that are grown over the frame and judged by how
 * often chance would do as well (Moisan & Stival 2004, IJCV 57, 201). A frame is refused rather than matched wrongly.
 * When many detections stand at the same sensor pixels in both lists, a match of the others is looked for first: stars
 * cannot move and stand still at once, so what stands is the sensor's fixed pattern.
 *
 * Cost: some milliseconds with an initial transform that holds, 5 to 50 ms without; the lists may be of any length.
 *
 * @param source stars of the frame to be moved, pixels, any order; with the frame's size where it is known
 * @param reference stars of the reference frame, likewise
 * @param options initial transform, tolerance, what is known of the frames, family of the map
 * @throws {RegistrationError} `too-few-stars` below 3 in either list, `no-match` when nothing better than chance is
 * found, `fixed-pattern` when only points as sharp as single pixels agree, and only at zero shift
 * @throws {RangeError} if an option is out of range
 *
 * @example A frame turned by 180 degrees after the meridian flip
 * ```ts
 * import assert from "node:assert/strict";
 * import { applyTransform, matchStars } from "faintlight/geometry";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(5);
 * const reference = Array.from({ length: 40 }, () => ({
 *   x: 1000 * random.uniform(), y: 800 * random.uniform(), flux: 1000 / (0.01 + random.uniform()),
 * }));
 * const source = reference.map(({ x, y, flux }) => ({ x: 1004 - x, y: 790 - y, flux }));
 * const { transform, matchedStars } = matchStars(source, reference);
 * const centre = applyTransform(transform, 502, 395);
 * assert.ok(matchedStars >= 38 && Math.hypot(centre.x - 502, centre.y - 395) < 1e-6);
 * ```
 */
export function matchStars(
  source: StarSource,
  reference: StarSource,
  options: Partial<MatchStarsOptions> = {},
): StarMatch {
  const used = settle("matchStars", matchStarsDefaults, options);
  checkOptions(used);
  const { sameSensor, minimumScale, maximumScale, mirror } = expectedMatch("matchStars", used.expected);
  const here = starsOfSource(source);
  const there = starsOfSource(reference);
  const lists: Lists = { source: sortStars(here.stars), reference: sortStars(there.stars) };
  requireStars(lists);
  const fwhm = medianFwhm(there.stars);
  const settings: MatchSettings = {
    tolerance: used.tolerancePixels ?? Math.max(1.5, fwhm > 0 ? fwhm / 2 : 1.5),
    minimumScale,
    maximumScale,
    mirror,
    logAccept: Math.log(used.falseAlarms),
    area: boxOf(lists.reference, there.size),
  };

  const nothing: Standing = { source: new Set(), reference: new Set() };
  const standing = sameSensor ? findStanding(lists, settings) : nothing;
  const found = findMatch(lists, standing, boxOf(lists.source, here.size), used.initialTransform, settings);
  if (found === null) {
    throw new RegistrationError(
      "no-match",
      `matchStars: the lists must show one arrangement of stars, but among ${lists.source.count} and ` +
        `${lists.reference.count} nothing agrees better than chance; ` +
        "check that both frames show the same field, or lower the detection threshold",
    );
  }
  const { hypothesis, initialTransformHeld, patternPoints } = found;
  const rules = { model: used.model, mirror, maximumStars: used.maximumStars, sourceSize: here.size };
  const refined = refineMatch(hypothesis.transform, found.source, found.reference, rules, settings);
  if (refined === null || refined.pairs.length < 3) {
    throw new RegistrationError(
      "no-match",
      "matchStars: a map must hold for at least 3 stars, but the best one does not; " +
        "check that both frames show the same field",
    );
  }

  const { fit, pairs, expected } = refined;
  const sourceBox = boxOf(found.source, here.size);
  const standsStill = standing.source.size > 0 && isStill(fit.transform, sourceBox);
  if (standsStill) refuseHotPixels(pairs, here.stars);
  const last = initialTransformHeld ? judgeAlone(fit.transform, found, settings) : hypothesis;
  const mirrored = areaRatio(fit.transform, sourceBox) < 0;
  const share = expected > 0 ? Math.min(1, pairs.length / expected) : 0;
  return {
    pairs,
    transform: fit.transform,
    model: fit.model,
    matchedStars: pairs.length,
    rmsPixels: fit.rmsPixels,
    share,
    logFalseAlarms: Math.min(hypothesis.logFalseAlarms, last.logFalseAlarms) / Math.LN10,
    mirrored,
    initialTransformHeld,
    standing: standsStill,
    patternPoints,
    ...fluxRatioOf(pairs, here.stars, there.stars),
    notes: [
      ...patternNotes(patternPoints, hypothesis.matched),
      ...(share < minimumShare
        ? [`only ${pairs.length} of ${expected} stars that both frames should show were matched`]
        : []),
      ...(mirrored ? ["the frame is turned over (mirrored) against the reference"] : []),
      ...fit.notes,
    ],
  };
}
