/** The frame of a group that the stars of the others are compared with, and the match to it. */
import type { Star } from "../core/star.ts";
import type { Transform } from "../core/transform.ts";
import { matchStars, type StarMatch } from "../register/match_stars.ts";
import { RegistrationError } from "../register/registration_error.ts";
import { quantile } from "../stats/median.ts";

/** A frame by its stars. */
export interface FrameStars {
  /** Measured stars, brightest first. */
  readonly stars: readonly Star[];
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
}

/** Whether a star's flux can be compared. */
export const isUsable = (star: Star): boolean => !star.saturated && star.snr >= 8;

/** Stars matched at most: as many as a map of the frame needs many times over. */
const maximumMatchStars = 120;

/** What a match tells of two frames. */
export type ReferenceMatch = Pick<StarMatch, "transform" | "matchedStars" | "fluxRatio" | "fluxRatioScatter">;

const sizeOf = ({ width, height }: FrameStars) => ({ width, height });

/** Match the stars of a frame to those of another; null where that fails. */
export function matchToReference(
  frame: FrameStars,
  reference: FrameStars,
  initialTransform: Transform | null,
): ReferenceMatch | null {
  const list = frame.stars.filter(isUsable);
  const other = reference.stars.filter(isUsable);
  if (list.length < 4 || other.length < 4) return null;
  try {
    return matchStars({ ...sizeOf(frame), stars: list }, { ...sizeOf(reference), stars: other }, {
      initialTransform,
      maximumStars: maximumMatchStars,
    });
  } catch (error) {
    if (!(error instanceof RegistrationError)) throw error;
    return null;
  }
}

/** Frames with at least this many stars, and this share of the usual number, may be the reference (own). */
const minimumStars = 5;
const minimumStarShare = 0.85;

/** Ranks of summed flux that are tried as the reference, and of the frames that it should match. */
const triedRanks = [0.5, 0.4, 0.6, 0.25, 0.75] as const;
const matchedRanks = [0.1, 0.3, 0.5, 0.7, 0.9] as const;

/** Places of the frames that show most stars, by rising flux of their thirty brightest. */
function richestFrames(frames: readonly FrameStars[]): number[] {
  const usable = frames.map((frame) => frame.stars.filter(isUsable));
  const counts = usable.map((stars) => stars.length);
  const starry = frames.map((_, i) => i).filter((i) => counts[i] >= minimumStars);
  if (starry.length === 0) return [];
  const usual = quantile(starry.map((i) => counts[i]), 0.7);
  const flux = (i: number) => usable[i].slice(0, 30).reduce((sum, star) => sum + star.flux, 0);
  return starry.filter((i) => counts[i] > minimumStarShare * usual).map((i) => ({ i, flux: flux(i) }))
    .sort((a, b) => a.flux - b.flux || counts[b.i] - counts[a.i])
    .map(({ i }) => i);
}

/**
 * Place of the frame to compare with: among those that show most stars the one of median flux that most others can be
 * matched to; −1 where no frame has stars. The frame with most stars alone might be one that points elsewhere.
 */
export function chooseReference(frames: readonly FrameStars[]): number {
  const rich = richestFrames(frames);
  if (rich.length < 3) return rich.length === 0 ? -1 : rich[rich.length >> 1];
  const at = (share: number) => rich[Math.min(rich.length - 1, Math.floor(share * rich.length))];
  const others = [...new Set(matchedRanks.map(at))];
  let best = at(0.5);
  let mostMatched = -1;
  for (const candidate of new Set(triedRanks.map(at))) {
    const matched = others.filter((i) =>
      i !== candidate && matchToReference(frames[i], frames[candidate], null) !== null
    ).length;
    if (matched > mostMatched) {
      best = candidate;
      mostMatched = matched;
    }
    // All but one: a frame may be spoilt in any night.
    if (matched >= others.length - 2) break;
  }
  return best;
}
