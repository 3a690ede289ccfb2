/** How far chance explains that two lists of stars agree, and how a first guess gathers stars. */
import type { Point } from "../core/geometry.ts";
import { applyTransform, type Transform } from "../core/transform.ts";
import { logBinomialTail } from "../stats/special_functions.ts";
import { PointIndex } from "./point_index.ts";
import { moveBy, type Similarity, similarityOf } from "./similarity.ts";
import { type Box, contains, type SortedStars } from "./star_list.ts";

/** Two sorted lists and an index of the reference's places. */
export interface ListPair {
  /** Stars of the frame to be moved. */
  readonly source: SortedStars;
  /** Stars of the reference. */
  readonly reference: SortedStars;
  /** Places of `reference`. */
  readonly index: PointIndex;
}

/** What a match must fulfil. */
export interface MatchSettings {
  /** Distance within which a moved star counts as found, reference pixels. */
  readonly tolerance: number;
  /** Smallest reference pixels a source pixel. */
  readonly minimumScale: number;
  /** Largest reference pixels a source pixel. */
  readonly maximumScale: number;
  /** Whether a frame may be turned over. */
  readonly mirror: boolean;
  /** Natural logarithm of the number of chance matches that is still accepted. */
  readonly logAccept: number;
  /** The reference frame. */
  readonly area: Box;
}

/** A map and how many such chance would give. */
export interface Hypothesis {
  /** Source pixel → reference pixel. */
  readonly transform: Transform;
  /** Natural logarithm of the expected number of equally good maps between random points. */
  readonly logFalseAlarms: number;
  /** Stars found. */
  readonly matched: number;
}

/** What the number of chance matches depends on besides the points. */
export interface Trials {
  /** Natural logarithm of the number of hypotheses that were looked at. */
  readonly logTests: number;
  /** Pairs that a hypothesis fulfils because it was made from them. */
  readonly usedPairs: number;
}

/** A single hypothesis that was not made from the lists. */
export const oneTrial: Trials = Object.freeze({ logTests: 0, usedPairs: 0 });

/** Put two lists together. */
export const pairLists = (source: SortedStars, reference: SortedStars, settings: MatchSettings): ListPair => ({
  source,
  reference,
  index: new PointIndex(reference.x, reference.y, settings.tolerance * 4),
});

const areaOf = (box: Box): number => Math.max(1, (box.x1 - box.x0) * (box.y1 - box.y0));

/** Radii tried: the tolerance, its half and its quarter. */
const radii = 3;

/**
 * How surprising the agreement is: the expected number of hypotheses that would do as well among points thrown at
 * random, after Moisan & Stival (2004, IJCV 57, 201). Density is taken locally, so that a cluster does not look like a
 * match; unequal chances are replaced by their mean, which is on the safe side (Hoeffding 1956). Three radii are
 * tried.
 */
export function judgeMatch(transform: Transform, lists: ListPair, settings: MatchSettings, trials: Trials): Hypothesis {
  const { source, reference, index } = lists;
  const { area, tolerance } = settings;
  const surface = areaOf(area);
  const wide = 10 * tolerance;
  const taken = new Uint8Array(reference.count);
  let expected = 0;
  let density = 0;
  const hits = [0, 0, 0];
  for (let i = 0; i < source.count; i++) {
    const p = applyTransform(transform, source.x[i], source.y[i]);
    if (!contains(area, p, tolerance)) continue;
    expected++;
    const found = index.nearest(p.x, p.y, tolerance);
    const local = Math.max(0, index.countWithin(p.x, p.y, wide) - (found >= 0 ? 1 : 0)) / (Math.PI * wide * wide);
    density += Math.max(reference.count / surface, local);
    if (found < 0 || taken[found]) continue;
    taken[found] = 1;
    const r = Math.hypot(reference.x[found] - p.x, reference.y[found] - p.y);
    for (let k = 0; k < radii; k++) if (r <= tolerance / 2 ** k) hits[k]++;
  }
  let best = 0;
  for (let k = 0; k < radii; k++) {
    const radius = tolerance / 2 ** k;
    const chance = Math.min(1, Math.PI * radius * radius * density / Math.max(1, expected));
    const value = trials.logTests + Math.log(radii) +
      logBinomialTail(hits[k] - trials.usedPairs, expected - trials.usedPairs, chance);
    best = Math.min(best, value);
  }
  return { transform, logFalseAlarms: best, matched: hits[0] };
}

/** Distances between all stars of a list, ascending. */
function pairLengths(list: SortedStars): Float64Array {
  const out: number[] = [];
  for (let i = 0; i < list.count; i++) {
    for (let j = 0; j < i; j++) out.push(Math.hypot(list.x[i] - list.x[j], list.y[i] - list.y[j]));
  }
  return Float64Array.from(out).sort();
}

/** Natural logarithm of the number of hypotheses a pair of stars in each list can make within the allowed scales. */
export function logHypotheses(source: SortedStars, reference: SortedStars, settings: MatchSettings): number {
  const a = pairLengths(source);
  const b = pairLengths(reference);
  let low = 0;
  let high = 0;
  let total = 0;
  for (const each of a) {
    while (low < b.length && b[low] < each * settings.minimumScale) low++;
    while (high < b.length && b[high] <= each * settings.maximumScale) high++;
    total += Math.max(0, high - low);
  }
  // either end first, and turned over
  return Math.log(Math.max(1, total * 2 * (settings.mirror ? 2 : 1)));
}

/** A map that is good near a place. */
export interface LocalGuess {
  /** The map. */
  readonly map: Similarity;
  /** Where it is good, source pixels. */
  readonly at: Point;
  /** How far from there it is about as good, source pixels. */
  readonly reach: number;
}

/**
 * From a first guess that is good near one place, gather stars outwards and fit again; null when it does not hold.
 *
 * @param patient whether an unpromising guess is followed for twice as many stars
 */
export function growMatch(
  guess: LocalGuess,
  lists: ListPair,
  settings: MatchSettings,
  patient: boolean,
): Similarity | null {
  const { source, reference, index } = lists;
  const { at, reach } = guess;
  const { tolerance, area } = settings;
  const density = Math.PI * reference.count / areaOf(area);
  let map = guess.map;
  const i = new Int32Array(source.count);
  const j = new Int32Array(source.count);
  for (let iteration = 0; iteration < 4; iteration++) {
    let count = 0;
    let expected = 0;
    for (let k = 0; k < source.count; k++) {
      // a wrong guess shows early: the brightest must hold more than the triangle itself and what chance gives
      if (iteration === 0 && k === 40 && !patient && count < 4 + 2 * expected) return null;
      if (iteration === 0 && k === 80 && count < 4 + 2 * expected) return null;
      const p = moveBy(map, source.x[k], source.y[k]);
      const distance = Math.hypot(source.x[k] - at.x, source.y[k] - at.y);
      // the error of a small triangle grows with the distance from it
      const radius = iteration === 0
        ? tolerance * Math.min(6, 0.5 + 0.5 * distance / reach)
        : tolerance * (iteration === 1 ? 2 : iteration === 2 ? 1.5 : 1);
      expected += density * radius * radius;
      const found = index.nearest(p.x, p.y, radius);
      if (found < 0) continue;
      i[count] = k;
      j[count++] = found;
    }
    if (count < 3) return null;
    const next = similarityOf(source, reference, { source: i, reference: j, count }, guess.map.mirrored);
    if (next === null) return null;
    map = next;
  }
  const scale = Math.hypot(map.re, map.im);
  return scale >= settings.minimumScale && scale <= settings.maximumScale ? map : null;
}
