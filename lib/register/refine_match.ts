/** The final map of a match: fitted to the full lists, step by step more freely. */
import type { Point } from "../core/geometry.ts";
import { applyTransform, linearPart, type Transform } from "../core/transform.ts";
import { fitTransform, type PointPair, type TransformFit, type TransformModel } from "./fit_transform.ts";
import { type ListPair, type MatchSettings, pairLists } from "./judge_match.ts";
import {
  type Box,
  boxOf,
  brightest,
  centreOf,
  contains,
  type FrameSize,
  type MatchableStar,
  type SortedStars,
  subset,
} from "./star_list.ts";

/** A star found in both lists. */
export interface StarPair extends PointPair {
  /** Index in the source list as given. */
  readonly sourceIndex: number;
  /** Index in the reference list as given. */
  readonly referenceIndex: number;
  /** 1 / variance of the distance, pixels⁻², from the stars' signal-to-noise; 1 where that is not known. */
  readonly weight: number;
}

/** Pairs that are each other's nearest, as places in the two sorted lists. */
export interface MutualPairs {
  /** Places in the source list. */
  readonly from: readonly number[];
  /** Places in the reference list. */
  readonly to: readonly number[];
}

/** Pairs that are each other's nearest within the radius. */
export function mutualPairs(transform: Transform, lists: ListPair, radius: number): MutualPairs {
  const { source, reference, index } = lists;
  const nearestSource = new Int32Array(reference.count).fill(-1);
  const distance = new Float64Array(reference.count).fill(Infinity);
  for (let i = 0; i < source.count; i++) {
    const p = applyTransform(transform, source.x[i], source.y[i]);
    const j = index.nearest(p.x, p.y, radius);
    if (j < 0) continue;
    const d = (reference.x[j] - p.x) ** 2 + (reference.y[j] - p.y) ** 2;
    if (d < distance[j]) {
      distance[j] = d;
      nearestSource[j] = i;
    }
  }
  const from: number[] = [];
  const to: number[] = [];
  for (let j = 0; j < reference.count; j++) {
    if (nearestSource[j] >= 0) {
      from.push(nearestSource[j]);
      to.push(j);
    }
  }
  return { from, to };
}

/** Scatter of positions that remains for the brightest stars (seeing, pixel phase), pixels; a floor, not a fit. */
const positionFloorPixels = 0.05;

/**
 * FWHM over sigma to five digits, as the weights of the pairs are defined; `fwhmPerSigma` would move their last
 * digits.
 */
const shortFwhmPerSigma = 2.3548;

/** Variance of one coordinate of a star: √2 s / SNR in the sky limit (King 1983, PASP 95, 163), and the floor. */
function positionVariance(star: MatchableStar): number {
  const { snr, fwhmPixels } = star;
  if (!(snr !== undefined && snr > 0 && fwhmPixels !== undefined && fwhmPixels > 0)) return NaN;
  return 2 * (fwhmPixels / shortFwhmPerSigma / snr) ** 2 + positionFloorPixels ** 2;
}

/** Determinant of the map at the frame's centre: reference area a source pixel covers, below 0 when turned over. */
export function areaRatio(transform: Transform, box: Box): number {
  const m = linearPart(transform, centreOf(box));
  return m[0] * m[4] - m[1] * m[3];
}

/** The map back from the linear part at the frame's centre: enough to tell which stars can overlap. */
function invertAt(transform: Transform, box: Box): ((x: number, y: number) => Point) | null {
  const m = linearPart(transform, centreOf(box));
  const det = m[0] * m[4] - m[1] * m[3];
  if (!(Math.abs(det) > 1e-12)) return null;
  return (x, y) => {
    const u = x - m[2];
    const v = y - m[5];
    return { x: (m[4] * u - m[1] * v) / det, y: (m[0] * v - m[3] * u) / det };
  };
}

/** The pairs with their weights: both stars' errors in reference pixels, or 1 where one of them is not known. */
function weighPairs(lists: ListPair, { from, to }: MutualPairs, sourceArea: number): StarPair[] {
  const { source, reference } = lists;
  const variances = from.map((i, k) => {
    const own = positionVariance(source.given[source.index[i]]);
    const other = positionVariance(reference.given[reference.index[to[k]]]);
    return own * sourceArea + other;
  });
  const known = variances.every((each) => each > 0);
  return from.map((i, k): StarPair => ({
    source: { x: source.x[i], y: source.y[i] },
    reference: { x: reference.x[to[k]], y: reference.y[to[k]] },
    sourceIndex: source.index[i],
    referenceIndex: reference.index[to[k]],
    weight: known ? 1 / variances[k] : 1,
  }));
}

/** Pairs above which a family is fitted rather than a similarity. */
const minimumPairs: Readonly<Partial<Record<TransformModel | "automatic", number>>> = {
  affine: 3,
  homography: 4,
  polynomial: 10,
};

/** How the final map is fitted. */
export interface RefineOptions {
  /** Family of the map. */
  readonly model: TransformModel | "automatic";
  /** Whether a frame may be turned over. */
  readonly mirror: boolean;
  /** Brightest stars of each list that are used. */
  readonly maximumStars: number;
  /** Size of the source frame; `null` takes the box round its stars. */
  readonly sourceSize: FrameSize | null;
}

/** A map fitted to all pairs of two lists. */
export interface RefinedMatch {
  /** The fit. */
  readonly fit: TransformFit;
  /** Pairs it kept. */
  readonly pairs: readonly StarPair[];
  /** Stars that ought to be in both lists: the poorer list decides. */
  readonly expected: number;
}

/** Fit to the full lists, step by step more freely while the distance allowed shrinks; null without two pairs. */
export function refineMatch(
  start: Transform,
  source: SortedStars,
  reference: SortedStars,
  options: RefineOptions,
  settings: MatchSettings,
): RefinedMatch | null {
  const { tolerance, area } = settings;
  const { maximumStars, mirror, sourceSize } = options;
  const margin = 2 * tolerance;
  const sourceBox = boxOf(source, sourceSize);
  const back = invertAt(start, sourceBox);
  const inSource = back === null
    ? reference
    : subset(reference, (j) => contains(sourceBox, back(reference.x[j], reference.y[j]), margin));
  const goal = pairLists(source, brightest(inSource, maximumStars), settings);
  const sourceArea = Math.abs(areaRatio(start, sourceBox));

  let transform = start;
  let result: RefinedMatch | null = null;
  let radius = 2 * tolerance;
  for (let iteration = 0; iteration < 5; iteration++) {
    const map = transform;
    const inReference = (i: number) => contains(area, applyTransform(map, source.x[i], source.y[i]), margin);
    const lists = { ...goal, source: brightest(subset(source, inReference), maximumStars) };
    const pairs = weighPairs(lists, mutualPairs(transform, lists, radius), sourceArea);
    if (pairs.length < 2) return result;
    const model = iteration === 0 ? "similarity" : options.model;
    let fit: TransformFit;
    try {
      const enough = pairs.length > (minimumPairs[model] ?? 2);
      fit = fitTransform(pairs, { model: enough ? model : "similarity", mirror, sourceSize });
    } catch (error) {
      if (error instanceof RangeError) return result;
      throw error;
    }
    transform = fit.transform;
    const expected = Math.min(lists.source.count, lists.reference.count);
    result = { fit, pairs: pairs.filter((_, k) => fit.kept[k]), expected };
    // a good pair lies within four sigma a coordinate; never below half a pixel, never beyond the tolerance
    radius = iteration === 0 ? 1.5 * tolerance : Math.max(0.5, Math.min(tolerance, 4 * fit.rmsPixels / Math.SQRT2));
  }
  return result;
}
