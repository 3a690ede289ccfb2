/** How much of the stars' light arrived, frame by frame and part by part, against the clearest frames of the night. */
import type { Point } from "../core/geometry.ts";
import type { Star } from "../core/star.ts";
import { applyTransform, identityTransform, invertTransform, type Transform } from "../core/transform.ts";
import { matchStars } from "../register/match_stars.ts";
import { RegistrationError } from "../register/registration_error.ts";
import { madSigma } from "../stats/mad_sigma.ts";
import { median, quantile } from "../stats/median.ts";

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
  /** Light over that of the clearest frames, near 1 when clear; NaN when it cannot be told. */
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
  /**
   * Every star that ought to show, with its light over what the clearest frames have of it; 0 where it is missing.
   * Empty unless matched.
   */
  readonly lights: readonly StarFlux[];
  /** Share of this frame's area that the compared frame shows too; NaN unless matched. */
  readonly overlap: number;
}

/** Light of one star that two frames should show. */
export interface StarFlux extends Point {
  /** Light over that in the frames compared with; 0 when the star is missing. */
  readonly light: number;
}

/** Standard error of a median over that of a mean, for normal values: √(π/2). */
const medianError = 1.2533;

const usable = (star: Star): boolean => !star.saturated && star.snr >= 8;

/** Compare by rank: without a match the brightest stars of two frames of one field are still the same stars. */
function rankedRatio(
  stars: readonly Star[],
  reference: readonly Star[],
): { ratio: number; stars: number; error: number } {
  const n = Math.min(stars.length, reference.length);
  // Of fewer the n-th brightest is often not the same star: noise and detection reorder them.
  if (n < 12) return { ratio: NaN, stars: n, error: NaN };
  // The faint end is cut by detection: only the brighter half of the shorter list is complete in both.
  const most = Math.min(40, n >> 1);
  const ratios: number[] = [];
  for (let i = 0; i < most; i++) ratios.push(stars[i].flux / reference[i].flux);
  // One star more or less near the top shifts all ranks behind it: never surer than a tenth.
  const ratio = median(ratios);
  const error = Math.max(0.1, medianError * madSigma(ratios) / ratio / Math.sqrt(most));
  return { ratio, stars: most, error };
}

const tryMatch = (
  frame: TransparencyInput,
  reference: TransparencyInput,
  seed: Transform | null,
): { transform: Transform; matchedStars: number; fluxRatio: number; fluxRatioScatter: number } | null => {
  const list = frame.stars.filter(usable);
  const other = reference.stars.filter(usable);
  if (list.length < 4 || other.length < 4) return null;
  try {
    return matchStars(list, other, {
      initialTransform: seed,
      maximumStars: 120,
      sourceSize: { width: frame.width, height: frame.height },
      referenceSize: { width: reference.width, height: reference.height },
    });
  } catch (error) {
    if (!(error instanceof RegistrationError)) throw error;
    return null;
  }
};

/**
 * The frame to compare with: among those that show most stars the one of middling light that most others can be
 * matched to. The frame with most stars alone might be one that points elsewhere.
 */
function chooseReference(frames: readonly TransparencyInput[]): number {
  const counts = frames.map((frame) => frame.stars.filter(usable).length);
  const most = Math.max(0, ...counts);
  if (most === 0) return -1;
  const light = (frame: TransparencyInput) =>
    frame.stars.filter(usable).slice(0, 30).reduce((sum, star) => sum + star.flux, 0);
  const starry = frames.map((_, i) => i).filter((i) => counts[i] >= 5);
  const usual = quantile(starry.map((i) => counts[i]), 0.7);
  const rich = starry.filter((i) => counts[i] > 0.85 * usual).map((i) => ({ i, light: light(frames[i]) }))
    .sort((a, b) => a.light - b.light || counts[b.i] - counts[a.i]);
  if (rich.length < 3) return rich.length === 0 ? -1 : rich[rich.length >> 1].i;
  const at = (share: number) => rich[Math.min(rich.length - 1, Math.floor(share * rich.length))].i;
  const asked = [...new Set([0.1, 0.3, 0.5, 0.7, 0.9].map(at))];
  let best = at(0.5);
  let bestFriends = -1;
  for (const candidate of new Set([0.5, 0.4, 0.6, 0.25, 0.75].map(at))) {
    const friends = asked.filter((i) =>
      i !== candidate && tryMatch(frames[i], frames[candidate], null) !== null
    ).length;
    if (friends > bestFriends) {
      best = candidate;
      bestFriends = friends;
    }
    // All but one: a frame may be spoilt in any night.
    if (friends >= asked.length - 2) break;
  }
  return best;
}

/** What two frames have in common once the map between them is known. */
interface Comparison {
  /** Places in the frame's list of the stars that the reference shows too. */
  readonly found: readonly number[];
  /**
   * The stars of the reference that the frame ought to show: with their ratio of light, 0 when missing, NaN when too
   * faint to tell.
   */
  readonly pairs: readonly (Point & { readonly known: number; readonly ratio: number })[];
  /** Share of this frame's area that the reference shows too. */
  readonly overlap: number;
}

/** Compare star by star once the map is known. */
function compare(frame: TransparencyInput, reference: TransparencyInput, transform: Transform): Comparison {
  const { width, height } = frame;
  const pairs: (Point & { known: number; ratio: number })[] = [];
  const placed = frame.stars.map((star) => applyTransform(transform, star.x, star.y));
  const found: number[] = [];
  const taken = new Set<number>();
  const snrRatios: number[] = [];
  const known = reference.stars;
  const inverse = invertTransform(transform);
  for (const [i, star] of frame.stars.entries()) {
    // A shaken or trailed star's middle is less sure than a point's.
    const reach = Math.max(2, 0.5 * star.fwhmPixels);
    let nearest = -1;
    let least = reach;
    for (let j = 0; j < known.length; j++) {
      const d = Math.hypot(known[j].x - placed[i].x, known[j].y - placed[i].y);
      if (d < least) {
        least = d;
        nearest = j;
      }
    }
    if (nearest < 0 || taken.has(nearest)) continue;
    taken.add(nearest);
    found.push(i);
    const sure = usable(star) && usable(known[nearest]);
    if (sure) snrRatios.push(star.snr / known[nearest].snr);
    pairs.push({ x: star.x, y: star.y, known: nearest, ratio: sure ? star.flux / known[nearest].flux : NaN });
  }
  // A star is missed only where one as bright shows elsewhere: wide, trailed or dimmed stars are fainter all over.
  const gain = snrRatios.length === 0 ? 0 : median(snrRatios);
  const margin = 12;
  for (let j = 0; j < known.length; j++) {
    if (taken.has(j) || known[j].saturated || known[j].snr * gain < 15) continue;
    const { x, y } = applyTransform(inverse, known[j].x, known[j].y);
    if (x < margin || y < margin || x > width - 1 - margin || y > height - 1 - margin) continue;
    pairs.push({ x, y, known: j, ratio: 0 });
  }
  let inside = 0;
  const side = 12;
  for (let r = 0; r < side; r++) {
    for (let c = 0; c < side; c++) {
      const { x, y } = applyTransform(transform, (c + 0.5) / side * width, (r + 0.5) / side * height);
      if (x >= 0 && y >= 0 && x <= reference.width && y <= reference.height) inside++;
    }
  }
  return { found, pairs, overlap: inside / (side * side) };
}

/**
 * Share of the frames that must show a star of the reference for it to be missed in the others: knots of nebulae come
 * and go.
 */
const leastShown = 0.6;

/**
 * Extinction of clear air, as the upper border of the ratios against airmass shows it: ln T = a − k X. Physical bounds
 * keep a cloud that comes with the setting target from passing for air: 0 … 0.4 (0.43 magnitudes a unit of airmass, a
 * hazy summer night).
 */
function fitExtinction(points: readonly { readonly x: number; readonly t: number }[]): number {
  if (points.length < 8) return 0;
  const xs = points.map((each) => each.x);
  const span = Math.max(...xs) - Math.min(...xs);
  if (!(span > 0.15)) return 0;
  let best = 0;
  let least = Infinity;
  for (let k = 0; k <= 0.4001; k += 0.01) {
    const lifted = points.map((each) => Math.log(each.t) + k * each.x).sort((a, b) => a - b);
    const n = lifted.length;
    // The clear half lies closest together when the trend is taken off.
    const spread = lifted[n - 1 - Math.floor(0.05 * n)] - lifted[Math.floor(0.5 * n)];
    if (spread < least - 1e-12) {
      least = spread;
      best = k;
    }
  }
  return best;
}

/**
 * Transparency of frames of one field, filter and exposure: median ratio of the fluxes of matched stars to one frame
 * of the group, divided by the level that the clearest tenth of the frames reach. Ratios already known from
 * registration are taken as they are, if every frame that has stars has one. A frame whose stars cannot be matched is
 * compared by rank. Where the altitude is known the light that clear air takes is fitted and told apart.
 *
 * @param frames frames of one group
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { measureTransparency } from "faintlight/parts";
 *
 * const frame = { stars: [], width: 100, height: 100 };
 * assert.deepEqual(measureTransparency([{ ...frame, fluxRatio: 2 }, { ...frame, fluxRatio: 1 }]).map((each) => each.value), [1, 0.5]);
 * ```
 */
export function measureTransparency(frames: readonly TransparencyInput[]): Transparency[] {
  const isKnown = (frame: TransparencyInput) => typeof frame.fluxRatio === "number" && frame.fluxRatio > 0;
  const starry = frames.filter((frame) => frame.stars.length >= 5 || isKnown(frame));
  const allKnown = starry.length > 0 && starry.every(isKnown);
  const best = chooseReference(frames);
  let seed: Transform | null = null;
  const nothing: Comparison = { found: [], pairs: [], overlap: NaN };
  const ratios = frames.map((frame, i) => {
    const reference = best < 0 ? null : frames[best];
    const match: ReturnType<typeof tryMatch> = reference === null
      ? null
      : i === best
      ? { transform: identityTransform, matchedStars: frame.stars.length, fluxRatio: 1, fluxRatioScatter: 0 }
      : tryMatch(frame, reference, seed);
    const there = reference !== null && match !== null && match.matchedStars >= 4;
    if (there && i !== best) seed = match.transform;
    const own = there ? match.fluxRatio : NaN;
    const error = there ? medianError * match.fluxRatioScatter / Math.sqrt(match.matchedStars) : NaN;
    const seen = there ? compare(frame, reference, match.transform) : nothing;
    if (allKnown) {
      const method: Transparency["method"] = isKnown(frame) ? "matched" : "none";
      return { ratio: frame.fluxRatio ?? NaN, own, error, stars: frame.stars.length, method, ...seen };
    }
    if (own > 0) {
      return { ratio: own, own, error, stars: match?.matchedStars ?? 0, method: "matched" as const, ...seen };
    }
    const list = frame.stars.filter(usable);
    const ranked = reference === null || list.length < 4
      ? { ratio: NaN, stars: list.length, error: NaN }
      : rankedRatio(list, reference.stars.filter(usable));
    return { ...ranked, own, method: ranked.ratio > 0 ? "ranked" as const : "none" as const, ...seen };
  });
  // The highest of a few uncertain ratios is high by chance: each counts as what it is sure to reach.
  const sure = (each: { readonly ratio: number; readonly error: number }) =>
    each.ratio * (1 - (each.error > 0 ? Math.min(0.5, each.error) : 0));
  // Nor does a frame that shows few of the stars, far out of focus or behind cloud, tell what clear is.
  const counts = ratios.filter((each) => each.method === "matched" && each.ratio > 0).map((each) => each.stars);
  const enough = counts.length === 0 ? 0 : 0.6 * median(counts);
  const matched = ratios.filter((each) => each.method === "matched" && each.ratio > 0 && each.stars >= enough).map(
    sure,
  );
  const told = matched.length > 0 ? matched : ratios.filter((each) => each.ratio > 0).map(sure);
  const clearest = (values: readonly number[]) =>
    values.length === 0 ? NaN : values.length < 10 ? Math.max(...values) : quantile(values, 0.9);
  const errors = ratios.map((each) => each.error).filter((each) => each > 0);
  const referenceError = errors.length === 0 ? 0 : median(errors);
  const clear = clearest(told);
  const air = frames.map((frame) => frame.airmass ?? NaN);
  const k = fitExtinction(
    ratios.flatMap((each, i) =>
      each.method === "matched" && each.ratio > 0 && air[i] >= 1 ? [{ x: air[i], t: each.ratio }] : []
    ),
  );
  const lifted = ratios.map((each, i) => each.ratio * (k > 0 && air[i] >= 1 ? Math.exp(k * air[i]) : 1));
  const clearLifted = clearest(
    lifted.filter((each, i) =>
      each > 0 && (matched.length === 0 || (ratios[i].method === "matched" && ratios[i].stars >= enough))
    ),
  );
  // The parts refer to the frame compared with, which registration's ratios need not do.
  const clearOwn = clearest(
    ratios.filter((each) => each.own > 0 && each.stars >= enough).map((each) => each.own),
  );
  const shown = new Map<number, { found: number; missed: number }>();
  for (const { known, ratio } of ratios.flatMap((each) => each.pairs)) {
    const count = shown.get(known) ?? { found: 0, missed: 0 };
    shown.set(known, ratio === 0 ? { ...count, missed: count.missed + 1 } : { ...count, found: count.found + 1 });
  }
  const steady = (known: number) => {
    const { found, missed } = shown.get(known) ?? { found: 0, missed: 0 };
    return found >= leastShown * (found + missed);
  };
  return ratios.map(({ ratio, error, stars, method, found, pairs, overlap }, i) => ({
    value: ratio / clear,
    error: Math.hypot(error, referenceError),
    cleared: k > 0 ? lifted[i] / clearLifted : ratio / clear,
    stars,
    method,
    found,
    lights: pairs.filter((each) => each.ratio > 0 || (each.ratio === 0 && steady(each.known))).map((each) => ({
      x: each.x,
      y: each.y,
      light: each.ratio / clearOwn,
    })),
    overlap,
  }));
}
