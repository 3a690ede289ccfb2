/** A second image of every star: star by star where the two are listed apart, in the mean star where they are not. */
import type { Raster } from "../core/raster.ts";
import type { Sampling } from "../core/sampling.ts";
import type { Star } from "../core/star.ts";
import { madSigma } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
import { type MeanStar, meanStar } from "./mean_star.ts";

/** Stars compared pair by pair, the brightest, and the fewest that tell anything. */
const maximumPairStars = 120;
const minimumPairStars = 8;
/** Largest shift, pixels. */
const maximumShift = 80;
/** Fewest pairs of one shift, and least share of the stars in them. */
const minimumPairs = 5;
const minimumPairShare = 0.35;
/** Standard deviations by which pairs of one shift must outnumber chance. */
const minimumPairSigmas = 6;
/** Least ratio of the variances of the pairs' places across and along their line: flashes of an aircraft lie on one. */
const minimumSpreadRatio = 0.01;

/** Stars whose mean is looked at, their least signal-to-noise ratio and the fewest. */
const maximumMeanStars = 40;
const minimumMeanSnr = 25;
const minimumMeanStars = 6;
/** Least distance of a close second image, FWHM: the width is that of both, so the saddle decides. */
const minimumCloseShift = 0.8;
/** Least level of a close second image over the first, and its least height over the other directions in scatters. */
const minimumCloseRatio = 0.1;
const minimumCloseSigmas = 6;
/** Highest level of the saddle between two images over the fainter. */
const maximumSaddle = 0.9;
/** Least share of the stars that must show a close second image. */
const minimumCloseShare = 0.6;

/** A second image of every star, at one shift. */
export interface Doubling {
  /** Shift along x, pixels; the shift and its opposite are the same finding. */
  readonly dx: number;
  /** Shift along y. */
  readonly dy: number;
  /** Flux of the fainter image over that of the brighter. */
  readonly ratio: number;
  /** Share of the stars that show it. */
  readonly share: number;
}

/** Two stars: the shift from one to the other, their flux ratio, and where the brighter is. */
interface StarPair {
  readonly dx: number;
  readonly dy: number;
  readonly ratio: number;
  readonly x: number;
  readonly y: number;
}

/** Pairs of stars closer than a reach and not closer than a FWHM, each shift turned to positive x. */
function pairsOf(stars: readonly Star[], reach: number, fwhmPixels: number): StarPair[] {
  const pairs: StarPair[] = [];
  for (let i = 0; i < stars.length; i++) {
    for (let j = i + 1; j < stars.length; j++) {
      const { x, y, flux } = stars[i];
      const dx = stars[j].x - x;
      const dy = stars[j].y - y;
      const distance2 = dx * dx + dy * dy;
      if (distance2 > reach * reach || distance2 < fwhmPixels * fwhmPixels) continue;
      const turned = dx < 0 || (dx === 0 && dy < 0);
      pairs.push({ dx: turned ? -dx : dx, dy: turned ? -dy : dy, ratio: stars[j].flux / flux, x, y });
    }
  }
  return pairs;
}

/** Whether places lie on one line. */
function areInLine(places: readonly StarPair[]): boolean {
  const n = places.length;
  const meanX = places.map((each) => each.x).reduce((a, b) => a + b) / n;
  const meanY = places.map((each) => each.y).reduce((a, b) => a + b) / n;
  let xx = 0;
  let xy = 0;
  let yy = 0;
  for (const { x, y } of places) {
    xx += (x - meanX) ** 2;
    xy += (x - meanX) * (y - meanY);
    yy += (y - meanY) ** 2;
  }
  const root = Math.hypot((xx - yy) / 2, xy);
  const half = (xx + yy) / 2;
  return half - root < minimumSpreadRatio * (half + root);
}

/**
 * A shift at which an unlikely number of the brighter stars have a companion: pairs vote for their shift; chance is
 * what the density of stars lets expect.
 */
export function findDoubling(
  stars: readonly Star[],
  { width, height }: Pick<Raster, "width" | "height">,
  fwhmPixels: number,
): Doubling | null {
  const bright = stars.slice(0, maximumPairStars);
  if (bright.length < minimumPairStars || !(fwhmPixels > 0)) return null;
  const reach = Math.min(maximumShift, Math.min(width, height) / 8);
  const pairs = pairsOf(bright, reach, fwhmPixels);
  const near = Math.max(1, 0.35 * fwhmPixels);
  let best: StarPair[] = [];
  for (const one of pairs) {
    const alike = pairs.filter((each) => (each.dx - one.dx) ** 2 + (each.dy - one.dy) ** 2 < near * near);
    if (alike.length > best.length) best = alike;
  }

  const n = best.length;
  const expected = pairs.length * near * near * 2 / (reach * reach);
  const share = 2 * n / bright.length;
  const isChance = n < expected + minimumPairSigmas * Math.sqrt(expected + 1);
  if (n < minimumPairs || share < minimumPairShare || isChance || areInLine(best)) return null;
  const ratios = best.map((each) => each.ratio).sort((a, b) => a - b);
  return {
    dx: best.reduce((sum, each) => sum + each.dx, 0) / n,
    dy: best.reduce((sum, each) => sum + each.dy, 0) / n,
    ratio: ratios[n >> 1],
    share: Math.min(1, share),
  };
}

/** A shift from the peak of the mean star, and where it ends in its picture. */
interface Shift {
  readonly x: number;
  readonly y: number;
  readonly dx: number;
  readonly dy: number;
  readonly distance: number;
}

/** Highest pixel within a FWHM of the middle: two close images pull the centroid off the brighter. */
function peakOf({ data, half, side }: MeanStar, fwhmPixels: number): { x: number; y: number } {
  const hunt = Math.ceil(fwhmPixels);
  let peakX = half;
  let peakY = half;
  for (let y = half - hunt; y <= half + hunt; y++) {
    for (let x = half - hunt; x <= half + hunt; x++) {
      if (data[y * side + x] > data[peakY * side + peakX]) {
        peakX = x;
        peakY = y;
      }
    }
  }
  return { x: peakX, y: peakY };
}

/** Whether no neighbour of a pixel is higher. */
function isLocalPeak({ data, side }: MeanStar, x: number, y: number): boolean {
  for (let k = 0; k < 9; k++) {
    if (data[(y + Math.floor(k / 3) - 1) * side + x + k % 3 - 1] > data[y * side + x]) return false;
  }
  return true;
}

/** Lowest level between the peak of the mean star and the end of a shift, that end included. */
function saddleOf({ data, side }: MeanStar, peak: { x: number; y: number }, { x, y, dx, dy }: Shift): number {
  let saddle = data[y * side + x];
  for (let t = 0; t < 20; t++) {
    const level = data[Math.round(peak.y + dy * t / 20) * side + Math.round(peak.x + dx * t / 20)];
    if (level < saddle) saddle = level;
  }
  return saddle;
}

/** Levels of the mean star at the distance of a shift, in other directions than it and its opposite. */
function otherDirections(
  { data, side }: MeanStar,
  peak: { x: number; y: number },
  { dx, dy, distance }: Shift,
): number[] {
  const levels: number[] = [];
  const direction = Math.atan2(dy, dx);
  for (let k = 0; k < 32; k++) {
    const angle = direction + Math.PI * k / 16;
    // The opposite shows the first image of those stars whose second was taken for the star.
    if (Math.abs(Math.sin(angle - direction)) < 0.5) continue;
    const row = Math.round(peak.y + distance * Math.sin(angle));
    levels.push(data[row * side + Math.round(peak.x + distance * Math.cos(angle))]);
  }
  return levels;
}

/**
 * Level of a star at a shift over its height; a pixel's place is good enough, on a mosaic that of the next green one.
 */
function levelBeside({ data, width, height, parity }: Sampling, star: Star, dx: number, dy: number): number {
  let x = Math.round(star.x + dx);
  const y = Math.round(star.y + dy);
  if (parity !== -1 && ((x + y) & 1) !== parity) x++;
  return x < 0 || y < 0 || x >= width || y >= height ? NaN : (data[y * width + x] - star.background) / star.peak;
}

/** Share of the stars that are brighter at a shift than at right angles to it, by a level at least. */
function shareOfStars(
  sampling: Sampling,
  stars: readonly Star[],
  { dx, dy }: Pick<Shift, "dx" | "dy">,
  minimum: number,
): number {
  let asked = 0;
  let shown = 0;
  for (const star of stars) {
    const here = levelBeside(sampling, star, dx, dy);
    const sides = [levelBeside(sampling, star, -dy, dx), levelBeside(sampling, star, dy, -dx)]
      .filter((each) => each === each);
    if (here !== here || sides.length === 0) continue;
    asked++;
    if (here - Math.min(...sides) > minimum) shown++;
  }
  return asked === 0 ? 0 : shown / asked;
}

/**
 * A second image close to the first, where detection cannot tell them apart star by star: a peak of the mean star off
 * its middle, beyond a saddle, that stands over the other directions at its distance.
 */
export function findCloseDoubling(sampling: Sampling, stars: readonly Star[], fwhmPixels: number): Doubling | null {
  const clean = stars.filter((star) => !star.saturated && star.snr > minimumMeanSnr).slice(0, maximumMeanStars);
  if (clean.length < minimumMeanStars || !(fwhmPixels > 0)) return null;
  const half = Math.min(30, Math.ceil(4 * fwhmPixels));
  const mean = meanStar(sampling, clean, half);
  const { data, side } = mean;
  const peak = peakOf(mean, fwhmPixels);
  const top = data[peak.y * side + peak.x];
  const margin = Math.min(peak.x, peak.y, side - 1 - peak.x, side - 1 - peak.y) - 1;
  let best: Doubling | null = null;
  for (let y = 1; y < side - 1; y++) {
    for (let x = 1; x < side - 1; x++) {
      const level = data[y * side + x];
      const dx = x - peak.x;
      const dy = y - peak.y;
      const distance = Math.hypot(dx, dy);
      if (distance < minimumCloseShift * fwhmPixels || margin < distance) continue;
      if (level < minimumCloseRatio * top || (best !== null && level <= best.ratio * top)) continue;
      if (!isLocalPeak(mean, x, y)) continue;
      const shift = { x, y, dx, dy, distance };
      const others = otherDirections(mean, peak, shift);
      const above = level - median(others);
      const scatter = Math.max(madSigma(others), 0.005 * top);
      if (saddleOf(mean, peak, shift) >= maximumSaddle * level) continue;
      if (!(above > Math.max(minimumCloseRatio * top, minimumCloseSigmas * scatter))) continue;
      // The stars themselves are shifted from their centroids, not from the peak of their mean.
      const share = shareOfStars(sampling, clean, { dx: x - half, dy: y - half }, 0.4 * above / top);
      if (share > minimumCloseShare) best = { dx, dy, ratio: above / top, share };
    }
  }
  return best;
}
