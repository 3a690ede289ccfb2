/** Dark holes that a step left beside bright stars. */
import type { Point } from "../core/geometry.ts";
import { type Raster, rastersOf } from "../core/raster.ts";
import type { Image } from "../core/image.ts";
import { atan2Portable } from "../kernels/elementary.ts";
import type { StarList } from "../stars/detect_stars.ts";
import { minimumRingSnr, type Ring, ringMedian, visitRing } from "./star_rings.ts";

/** Dark holes beside stars. */
export interface Holes {
  /** How many; NaN where it was not looked for. */
  readonly count: number;
  /** Depth of the deepest, standard deviations of the sky. */
  readonly deepest: number;
  /** Where it is. */
  readonly x: number;
  /** Where it is. */
  readonly y: number;
}

/** No holes were looked for. */
export const holesUnknown: Holes = Object.freeze({ count: NaN, deepest: 0, x: NaN, y: NaN });

/** Rings about a star that are searched for holes, FWHM: each ends where the next begins. */
const holeRings = [2, 3, 4, 5.2, 6.8] as const;
/** The ring they are compared with, FWHM. */
const ringBeyond: Ring = [6.8, 9];
/** Directions that are told apart. */
const sectors = 8;
/** A hole is at least this deep, standard deviations of the sky: the lowest sector's median errs by a third of one. */
const minimumHoleDepth = 3;
/** Stars about which holes are looked for, at most: the brightest. */
const maximumHoleStars = 60;

/** Medians of the sectors of a ring about a star; NaN where the image ends. */
function sectorLevels(raster: Raster, star: Point, ring: Ring): number[] {
  const { data, width } = raster;
  const lists: number[][] = Array.from({ length: sectors }, () => []);
  visitRing(raster, star, ring, (i, j) => {
    const turn = atan2Portable(j - star.y, i - star.x) / (2 * Math.PI) + 1;
    lists[Math.floor(turn * sectors) % sectors].push(data[j * width + i]);
  });
  return lists.map(ringMedian);
}

/** One channel before and after a step. */
interface ChannelPair {
  readonly before: Raster;
  readonly after: Raster;
  /** Noise of the sky after the step. */
  readonly noise: number;
  /** Flux after over before. */
  readonly gain: number;
}

/** The deepest hole about a star. */
interface Hole {
  /** Standard deviations of the sky; 0 for none. */
  readonly depth: number;
  readonly place: Point;
}

/** The deepest hole about a star over all channels. */
function deepestAbout(star: Point, fwhm: number, channels: readonly ChannelPair[]): Hole {
  let hole: Hole = { depth: 0, place: { x: NaN, y: NaN } };
  for (const { before, after, noise, gain } of channels) {
    const scaled = ([inner, outer]: Ring): Ring => [inner * fwhm, outer * fwhm];
    const beyondBefore = sectorLevels(before, star, scaled(ringBeyond));
    const beyondAfter = sectorLevels(after, star, scaled(ringBeyond));
    for (let ring = 0; ring + 1 < holeRings.length; ring++) {
      const [inner, outer] = [holeRings[ring], holeRings[ring + 1]];
      const levelsBefore = sectorLevels(before, star, scaled([inner, outer]));
      const levelsAfter = sectorLevels(after, star, scaled([inner, outer]));
      for (let k = 0; k < sectors; k++) {
        const towards = [(k + sectors - 1) % sectors, k, (k + 1) % sectors];
        const around = towards.map((n) => beyondAfter[n]);
        const low = Math.min(...around);
        const depth = low - levelsAfter[k];
        const deeper = depth - gain * Math.max(0, Math.min(...towards.map((n) => beyondBefore[n])) - levelsBefore[k]);
        if (!(deeper > hole.depth * noise && depth > Math.max(...around) - low)) continue;
        const angle = (k + 0.5) * 2 * Math.PI / sectors;
        const r = (inner + outer) / 2 * fwhm;
        const place = { x: Math.round(star.x + r * Math.cos(angle)), y: Math.round(star.y + r * Math.sin(angle)) };
        hole = { depth: deeper / noise, place };
      }
    }
  }
  return hole;
}

/**
 * Find holes that a step left beside bright stars. A hole is a sector of a ring about the star that has become darker
 * than what is beyond it in that direction, and by more than the neighbouring directions beyond differ, as nebulae have
 * dark places of their own.
 *
 * @param found the stars before the step
 * @param noise noise of the sky of each channel after the step
 * @param gains flux after over before of each channel
 */
export function findHoles(
  before: Image,
  after: Image,
  { stars, fwhmPixels: fwhm }: StarList,
  noise: readonly number[],
  gains: readonly number[],
): Holes {
  if (!(fwhm > 0)) return holesUnknown;
  const afterRasters = rastersOf(after);
  const channels = rastersOf(before).map((raster, c): ChannelPair => ({
    before: raster,
    after: afterRasters[c],
    noise: noise[c],
    gain: gains[c],
  }));
  const places: Point[] = [];
  let deepest: Hole = { depth: 0, place: { x: NaN, y: NaN } };
  for (const star of stars.filter((s) => s.snr > minimumRingSnr).slice(0, maximumHoleStars)) {
    const hole = deepestAbout(star, fwhm, channels);
    // One hole may lie within the rings of several stars.
    const known = places.some((each) =>
      (each.x - hole.place.x) ** 2 + (each.y - hole.place.y) ** 2 < (holeRings[4] * fwhm) ** 2
    );
    if (hole.depth >= minimumHoleDepth && !known) places.push(hole.place);
    if (hole.depth > deepest.depth) deepest = hole;
  }
  return { count: places.length, deepest: deepest.depth, ...deepest.place };
}
