/** How much of the stars' flux arrived, frame by frame and part by part, against the clearest frames of the night. */
import type { Point } from "../core/geometry.ts";
import type { Star } from "../core/star.ts";
import { identityTransform, type Transform } from "../core/transform.ts";
import { madSigma } from "../stats/mad_sigma.ts";
import { median, quantile } from "../stats/median.ts";
import { medianErrorFactor } from "../stats/median_error.ts";
import { compareStars, type Comparison } from "./compare_stars.ts";
import { fitExtinction } from "./extinction.ts";
import { chooseReference, type FrameStars, isUsable, matchToReference } from "./reference_frame.ts";

/** What transparency needs to know of a frame. */
export interface TransparencyInput {
  /** Measured stars, brightest first. */
  readonly stars: readonly Star[];
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /**
   * Flux of this frame's stars over that of the same stars in one frame of the group, when registration has found it.
   */
  readonly fluxRatio?: number | null;
  /** Thickness of air over that in the zenith; null or left out when not known. */
  readonly airmass?: number | null;
}

/** Transparency of one frame. */
export interface Transparency {
  /** Flux over that of the clearest frames, near 1 when clear; NaN when it cannot be told. */
  readonly value: number;
  /** The same over what clear air lets through at the frame's altitude; equal to `value` where no altitude is known. */
  readonly cleared: number;
  /** Standard error of `value` as a share of it, from the scatter from star to star; NaN when it cannot be told. */
  readonly error: number;
  /** Stars the ratio rests on. */
  readonly stars: number;
  /** `matched`: the same stars compared; `ranked`: the n-th brightest with the n-th brightest; `none`. */
  readonly method: "matched" | "ranked" | "none";
  /** Places in the list of the stars that the compared frame shows too; empty unless matched. */
  readonly found: readonly number[];
  /** Places in the list of what the compared frame covers and does not show; empty unless matched. */
  readonly strange: readonly number[];
  /**
   * Every star that ought to show, with its flux over what the clearest frames have of it; 0 where it is missing.
   * Empty unless matched.
   */
  readonly starFluxRatios: readonly StarFlux[];
  /** Share of this frame's area that the compared frame shows too; NaN unless matched. */
  readonly overlap: number;
}

/** Flux of one star that two frames should show. */
export interface StarFlux extends Point {
  /** Flux over that in the frames compared with; 0 when the star is missing. */
  readonly fluxRatio: number;
}

/** Share of the median number of matched stars below which a frame does not tell what clear is (own). */
const minimumMatchedShare = 0.6;

/**
 * Share of the frames that must show a star of the reference for it to be missed in the others: knots of nebulae come
 * and go (own).
 */
const minimumShownShare = 0.6;

/** Flux of a frame over that of the reference, and how it was found. */
interface FluxRatio {
  readonly ratio: number;
  readonly stars: number;
  readonly error: number;
}

/** One frame compared with the reference. */
interface ComparedFrame extends FluxRatio, Comparison {
  readonly method: Transparency["method"];
  /** The ratio of the matched stars, which one known from registration need not be; NaN unless matched. */
  readonly matchedRatio: number;
}

const notCompared: Comparison = { found: [], strange: [], pairs: [], overlap: NaN };

/** Compare by rank: without a match the brightest stars of two frames of one field are still the same stars. */
function rankedRatio(stars: readonly Star[], reference: readonly Star[]): FluxRatio {
  const n = Math.min(stars.length, reference.length);
  // Of fewer the n-th brightest is often not the same star: noise and detection reorder them.
  if (n < 12) return { ratio: NaN, stars: n, error: NaN };
  // The faint end is cut by detection: only the brighter half of the shorter list is complete in both.
  const count = Math.min(40, n >> 1);
  const ratios: number[] = [];
  for (let i = 0; i < count; i++) ratios.push(stars[i].flux / reference[i].flux);
  // One star more or less near the top shifts all ranks behind it: the error is never below a tenth.
  const ratio = median(ratios);
  const error = Math.max(0.1, medianErrorFactor * madSigma(ratios) / ratio / Math.sqrt(count));
  return { ratio, stars: count, error };
}

const isKnown = (frame: TransparencyInput) => typeof frame.fluxRatio === "number" && frame.fluxRatio > 0;

/** Whether registration knows the flux ratio of every frame that has stars. */
function areAllKnown(frames: readonly TransparencyInput[]): boolean {
  const starry = frames.filter((frame) => frame.stars.length >= 5 || isKnown(frame));
  return starry.length > 0 && starry.every(isKnown);
}

/** The flux ratio of a frame whose stars could not be matched. */
function unmatchedRatio(frame: FrameStars, reference: FrameStars | null): FluxRatio {
  const list = frame.stars.filter(isUsable);
  return reference === null || list.length < 4
    ? { ratio: NaN, stars: list.length, error: NaN }
    : rankedRatio(list, reference.stars.filter(isUsable));
}

/** Compare every frame with the reference; the map of the last match is where the next search begins. */
function compareWithReference(frames: readonly TransparencyInput[]): ComparedFrame[] {
  const allKnown = areAllKnown(frames);
  const place = chooseReference(frames);
  const reference = place < 0 ? null : frames[place];
  let lastTransform: Transform | null = null;
  return frames.map((frame, i): ComparedFrame => {
    const own = { transform: identityTransform, matchedStars: frame.stars.length, fluxRatio: 1, fluxRatioScatter: 0 };
    const match = reference === null ? null : i === place ? own : matchToReference(frame, reference, lastTransform);
    const isMatched = reference !== null && match !== null && match.matchedStars >= 4;
    if (isMatched && i !== place) lastTransform = match.transform;
    const matchedRatio = isMatched ? match.fluxRatio : NaN;
    const error = isMatched ? medianErrorFactor * match.fluxRatioScatter / Math.sqrt(match.matchedStars) : NaN;
    const comparison = isMatched ? compareStars(frame, reference, match.transform) : notCompared;
    const common = { ...comparison, matchedRatio, error };
    if (allKnown) {
      const method = isKnown(frame) ? "matched" : "none";
      return { ...common, ratio: frame.fluxRatio ?? NaN, stars: frame.stars.length, method };
    }
    if (matchedRatio > 0) return { ...common, ratio: matchedRatio, stars: match?.matchedStars ?? 0, method: "matched" };
    const ranked = unmatchedRatio(frame, reference);
    return { ...common, ...ranked, method: ranked.ratio > 0 ? "ranked" : "none" };
  });
}

/** The highest of a few uncertain ratios is high by chance: each counts as what it reaches with its error taken off. */
const certainRatio = ({ ratio, error }: FluxRatio): number => ratio * (1 - (error > 0 ? Math.min(0.5, error) : 0));

/** The level of the clearest tenth; of fewer than ten the highest. */
const clearest = (values: readonly number[]): number =>
  values.length === 0 ? NaN : values.length < 10 ? Math.max(...values) : quantile(values, 0.9);

/** Extinction by clear air, from the matched frames whose airmass is known. */
function extinctionOf(compared: readonly ComparedFrame[], airmass: readonly number[]): number {
  return fitExtinction(
    compared.flatMap(({ method, ratio }, i) =>
      method === "matched" && ratio > 0 && airmass[i] >= 1 ? [{ airmass: airmass[i], ratio }] : []
    ),
  );
}

/** Which stars of the reference most frames show that ought to. */
function steadyStars(compared: readonly ComparedFrame[]): (known: number) => boolean {
  const shown = new Map<number, { found: number; missed: number }>();
  for (const { known, ratio } of compared.flatMap((each) => each.pairs)) {
    const count = shown.get(known) ?? { found: 0, missed: 0 };
    shown.set(known, ratio === 0 ? { ...count, missed: count.missed + 1 } : { ...count, found: count.found + 1 });
  }
  return (known) => {
    const { found, missed } = shown.get(known) ?? { found: 0, missed: 0 };
    return found >= minimumShownShare * (found + missed);
  };
}

/**
 * Transparency of frames of one field, filter and exposure: median ratio of the fluxes of matched stars to one frame
 * of the group, divided by the level that the clearest tenth of the frames reach. Ratios already known from
 * registration are taken as they are, if every frame that has stars has one. A frame whose stars cannot be matched is
 * compared by rank. Where the altitude is known the flux that clear air takes is fitted and told apart.
 *
 * @param frames frames of one group
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { measureTransparency } from "faintlight/parts";
 *
 * const frame = { stars: [], width: 100, height: 100 };
 * const transparency = measureTransparency([{ ...frame, fluxRatio: 2 }, { ...frame, fluxRatio: 1 }]);
 * assert.deepEqual(transparency.map((each) => each.value), [1, 0.5]);
 * ```
 */
export function measureTransparency(frames: readonly TransparencyInput[]): Transparency[] {
  const compared = compareWithReference(frames);
  // A frame that shows few of the stars, far out of focus or behind cloud, does not tell what clear is.
  const isMatched = ({ method, ratio }: ComparedFrame) => method === "matched" && ratio > 0;
  const counts = compared.filter(isMatched).map((each) => each.stars);
  const minimumStars = counts.length === 0 ? 0 : minimumMatchedShare * median(counts);
  const isFull = (each: ComparedFrame) => isMatched(each) && each.stars >= minimumStars;
  const anyFull = compared.some(isFull);
  const tells = (each: ComparedFrame) => anyFull ? isFull(each) : each.ratio > 0;
  const clear = clearest(compared.filter(tells).map(certainRatio));
  const errors = compared.map((each) => each.error).filter((each) => each > 0);
  const referenceError = errors.length === 0 ? 0 : median(errors);

  // The same with the flux that clear air takes given back.
  const airmass = frames.map((frame) => frame.airmass ?? NaN);
  const extinction = extinctionOf(compared, airmass);
  const lifted = compared.map(({ ratio }, i) =>
    ratio * (extinction > 0 && airmass[i] >= 1 ? Math.exp(extinction * airmass[i]) : 1)
  );
  const clearLifted = clearest(lifted.filter((_, i) => tells(compared[i])));

  // The parts refer to the frame compared with, which registration's ratios need not do.
  const clearMatched = clearest(
    compared.filter((each) => each.matchedRatio > 0 && each.stars >= minimumStars).map((each) => each.matchedRatio),
  );
  const isSteady = steadyStars(compared);
  return compared.map(({ ratio, error, stars, method, found, strange, pairs, overlap }, i) => ({
    value: ratio / clear,
    error: Math.hypot(error, referenceError),
    cleared: extinction > 0 ? lifted[i] / clearLifted : ratio / clear,
    stars,
    method,
    found,
    strange,
    starFluxRatios: pairs.filter((each) => each.ratio > 0 || (each.ratio === 0 && isSteady(each.known)))
      .map((each) => ({ x: each.x, y: each.y, fluxRatio: each.ratio / clearMatched })),
    overlap,
  }));
}
