/** How much of the stars' light arrived, frame by frame, against the clearest frames of the night. */
import type { Star } from "../core/star.ts";
import type { Transform } from "../core/transform.ts";
import { matchStars, RegistrationError } from "../register/match_stars.ts";
import { median, quantile } from "../stats/median.ts";

/** What transparency needs to know of a frame. */
export interface TransparencyInput {
  /** Measured stars, brightest first. */
  readonly stars: readonly Star[];
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Flux of this frame's stars over that of the same stars in one frame of the group, when registration has found it. */
  readonly fluxRatio?: number | null;
}

/** Transparency of one frame. */
export interface Transparency {
  /** Light over that of the clearest frames, near 1 when clear; NaN when it cannot be told. */
  readonly value: number;
  /** Stars the ratio rests on. */
  readonly stars: number;
  /** `matched`: the same stars compared; `ranked`: the n-th brightest with the n-th brightest; `none`. */
  readonly method: "matched" | "ranked" | "none";
}

const usable = (stars: readonly Star[]) => stars.filter((star) => !star.saturated && star.snr >= 8);

/** Compare by rank: without a match the brightest stars of two frames of one field are still the same stars. */
function rankedRatio(stars: readonly Star[], reference: readonly Star[]): { ratio: number; stars: number } {
  const n = Math.min(stars.length, reference.length);
  if (n < 5) return { ratio: NaN, stars: n };
  // The faint end is cut by detection: only the brighter half of the shorter list is complete in both.
  const most = Math.min(40, Math.max(5, n >> 1));
  const ratios: number[] = [];
  for (let i = 0; i < most; i++) ratios.push(stars[i].flux / reference[i].flux);
  return { ratio: median(ratios), stars: most };
}

/**
 * Transparency of frames of one field, filter and exposure: median ratio of the fluxes of matched stars to one of the frames
 * that show most stars, then divided by the level that the clearest tenth of the frames reach. Ratios already known from registration
 * are taken as they are, if every frame that has stars has one. A frame whose stars cannot be matched is compared by rank.
 *
 * @param frames frames of one group
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { measureTransparency } from "faintlight";
 *
 * const frame = { stars: [], width: 100, height: 100 };
 * assert.deepEqual(measureTransparency([{ ...frame, fluxRatio: 2 }, { ...frame, fluxRatio: 1 }]).map((each) => each.value), [1, 0.5]);
 * ```
 */
export function measureTransparency(frames: readonly TransparencyInput[]): Transparency[] {
  const known = (frame: TransparencyInput) => typeof frame.fluxRatio === "number" && frame.fluxRatio > 0;
  const starry = frames.filter((frame) => frame.stars.length >= 5 || known(frame));
  let ratios: { ratio: number; stars: number; method: Transparency["method"] }[];
  if (starry.length > 0 && starry.every(known)) {
    ratios = frames.map((frame) => ({
      ratio: frame.fluxRatio ?? NaN,
      stars: frame.stars.length,
      method: known(frame) ? "matched" : "none",
    }));
  } else {
    const lists = frames.map((frame) => usable(frame.stars));
    // The frame with most stars: a count cannot be inflated by one bright blob taken for a star, a sum of fluxes can.
    const counts = lists.map((list) => list.length), most = Math.max(0, ...counts);
    const light = lists.map((list, i) =>
      counts[i] > 0.9 * most ? list.slice(0, 30).reduce((sum, star) => sum + star.flux, 0) : 0
    );
    const best = most === 0 ? -1 : light.indexOf(
      [...light].filter((each) => each > 0).sort((a, b) => a - b)[light.filter((each) => each > 0).length >> 1],
    );
    const size = (frame: TransparencyInput) => ({ width: frame.width, height: frame.height });
    let seed: Transform | null = null;
    ratios = frames.map((frame, i) => {
      if (lists[i].length < 4 || best < 0) return { ratio: NaN, stars: lists[i].length, method: "none" };
      if (i === best) return { ratio: 1, stars: lists[i].length, method: "matched" };
      try {
        const match = matchStars(lists[i], lists[best], {
          seed,
          maximumStars: 120,
          sourceSize: size(frame),
          referenceSize: size(frames[best]),
        });
        seed = match.transform;
        if (match.matched >= 4 && match.fluxRatio > 0) {
          return { ratio: match.fluxRatio, stars: match.matched, method: "matched" };
        }
      } catch (error) {
        if (!(error instanceof RegistrationError)) throw error;
      }
      const ranked = rankedRatio(lists[i], lists[best]);
      return { ...ranked, method: ranked.ratio > 0 ? "ranked" : "none" };
    });
  }
  const matched = ratios.filter((each) => each.method === "matched" && each.ratio > 0).map((each) => each.ratio);
  const told = matched.length > 0 ? matched : ratios.map((each) => each.ratio).filter((each) => each > 0);
  const clear = told.length === 0 ? NaN : told.length < 10 ? Math.max(...told) : quantile(told, 0.9);
  return ratios.map(({ ratio, stars, method }) => ({ value: ratio / clear, stars, method }));
}
