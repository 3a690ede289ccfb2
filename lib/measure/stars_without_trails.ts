/** The stars of a frame without what satellites and aircraft left among them. */
import type { Star } from "../core/star.ts";
import type { Candidate } from "../stars/candidate.ts";
import { isCrowded } from "../stars/deblend.ts";
import type { Ellipse } from "../stars/ellipse.ts";
import type { FrameProfile } from "../stars/frame_profile.ts";
import type { StarSearch } from "../stars/search_stars.ts";
import { starsFromSearch } from "../stars/stars_from_search.ts";
import { median } from "../stats/median.ts";
import { findFlashes } from "./find_flashes.ts";
import { findTrails } from "./find_trails.ts";
import { type Trail, trailDistance, trailReach } from "./trail.ts";

/** Along a trail what is longer or fainter than this is a piece of it and no star. */
const maximumPieceEccentricity = 0.5;
const minimumStarSnr = 12;
/** Fewest stars with a shape that the frame's shape is made of anew. */
const minimumShaped = 5;

/** The stars of a frame and its trails. */
export interface StarsAndTrails {
  /** All stars, brightest first. */
  readonly stars: readonly Star[];
  /** Those that lie on no trail: a star on one has a shape of both. */
  readonly clear: readonly Star[];
  /** Straight trails. */
  readonly trails: readonly Trail[];
  /** Profile of the stars. */
  readonly profile: FrameProfile;
  /** FWHM of the frame's shape, pixels; NaN without stars. */
  readonly fwhmPixels: number;
  /** Shape of the frame's stars by moments; null without stars. */
  readonly shape: Ellipse | null;
}

/** A search less what is no star; the frame's shape, which may have been made by it too, from what is left. */
function withoutPieces(search: StarSearch, isPiece: readonly boolean[]): StarSearch {
  const stars = search.stars.filter((_, k) => !isPiece[k]);
  const shaped = stars.filter((star) => star.shaped && !star.saturated && star.snr >= minimumStarSnr);
  if (search.width === null || shaped.length < minimumShaped) return { ...search, stars };
  const medianOf = (moment: keyof Ellipse) => median(shaped.map((star: Candidate) => star[moment]));
  return { ...search, stars, width: { xx: medianOf("xx"), xy: medianOf("xy"), yy: medianOf("yy") } };
}

/**
 * Stars and trails of a search. What a satellite or an aircraft left is listed as stars in pieces: out with flashes and
 * with what is long or faint along a line. Crowded frames are deblended once that is done.
 */
export function starsWithoutTrails(search: StarSearch): StarsAndTrails {
  const { sampling, grid } = search;
  const first = starsFromSearch(search, false);
  const { trails: rows, flashes } = findFlashes(first.stars, sampling);
  const steady = flashes.size === 0 ? first.stars : first.stars.filter((star) => !flashes.has(star));
  const trails = [...rows, ...findTrails(grid, steady, first.fwhmPixels)];
  if (trails.length === 0) {
    const settled = isCrowded(search, first.fwhmPixels) ? starsFromSearch(search, true) : first;
    return { ...settled, clear: settled.stars, trails, shape: search.width };
  }

  const reach = trailReach(sampling);
  const isNear = (star: Star) => trails.some((trail) => trailDistance(trail, star.x, star.y, sampling) < reach);
  const isPiece = (star: Star) =>
    flashes.has(star) ||
    (isNear(star) && (star.eccentricity > maximumPieceEccentricity || star.snr < minimumStarSnr));
  const whole = withoutPieces(search, first.stars.map(isPiece));
  const settled = starsFromSearch(whole, true);
  const stars = settled.stars.filter((star) => !isPiece(star));
  const clear = stars.filter((star) => !isNear(star));
  return { ...settled, stars, clear, trails, shape: whole.width };
}
