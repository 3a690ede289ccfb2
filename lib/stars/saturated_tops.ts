/** Stars whose tops are cut by the end of the sensor's scale: where they are and how far their tops reach. */
import { boxAbout, type Raster } from "../core/raster.ts";
import type { Star } from "../core/star.ts";
import { medianInPlace } from "../stats/samples.ts";
import { circleSamples } from "./annulus.ts";

/**
 * Height left two widths off a cut top over that of the top, at most: a Moffat star cut at ten widths has 0.33 left.
 */
const maximumHeightBeside = 0.6;
/** Share of the highest sample's height above the sky from which samples belong to a top. */
const topShare = 0.97;
/** Every so many samples one is taken for the level of the sky. */
const skyStride = 37;
/** Smallest and largest top, in samples and in squares of the FWHM: below it is an uncut star, above a nebula. */
const minimumTopSamples = 5;
const minimumTopArea = 0.3;
const maximumTopArea = 400;
/** Furthest radius of a top, in FWHM. */
const maximumRadiusInFwhm = 40;

/** The level about a top and the top's own. */
interface TopLevels {
  readonly sky: number;
  readonly top: number;
}

/**
 * Whether the top of a star lies at a place: at radius `r`, two widths off, a star has fallen far on nearly all sides,
 * spikes and trails left out; a crest of bright gas has not.
 */
export function fallsOff(raster: Raster, x: number, y: number, r: number, { sky, top }: TopLevels): boolean {
  const sides = circleSamples(raster, x, y, r).sort();
  return sides.length > 0 && sides[Math.floor(0.7 * (sides.length - 1))] < sky + maximumHeightBeside * (top - sky);
}

/** The level of the sky, about, and the highest sample. */
function levelsOf(data: Float32Array): TopLevels {
  const thin = new Float64Array(Math.ceil(data.length / skyStride));
  let top = -Infinity;
  let n = 0;
  for (let i = 0; i < data.length; i++) {
    const v = data[i];
    if (v > top) top = v;
    if (i % skyStride === 0 && v === v) thin[n++] = v;
  }
  return { sky: medianInPlace(thin, n), top };
}

/** Indices of the samples that reach the limit and hang together with one of them, over sides and corners. */
function groupOf({ data, width, height }: Raster, start: number, limit: number, seen: Uint8Array): number[] {
  const group = [start];
  seen[start] = 1;
  for (let k = 0; k < group.length; k++) {
    const x = group[k] % width;
    const y = (group[k] - x) / width;
    for (let j = Math.max(0, y - 1); j <= Math.min(height - 1, y + 1); j++) {
      for (let i = Math.max(0, x - 1); i <= Math.min(width - 1, x + 1); i++) {
        const at = j * width + i;
        if (seen[at] || !(data[at] >= limit)) continue;
        seen[at] = 1;
        group.push(at);
      }
    }
  }
  return group;
}

/** Centre of a group of samples. */
function centreOf(group: readonly number[], width: number): { readonly x: number; readonly y: number } {
  let sx = 0;
  let sy = 0;
  for (const at of group) {
    const x = at % width;
    sx += x;
    sy += (at - x) / width;
  }
  return { x: sx / group.length, y: sy / group.length };
}

/**
 * Plateaus at the top of a plane, as saturated stars: groups of neighbours that reach the given level, or 97 % of the
 * highest sample, when they are larger than the top of an uncut star can be.
 */
export function findSaturatedTops(raster: Raster, fwhm: number, saturationLevel: number): Star[] {
  if (!(fwhm > 0)) return [];
  const { data, width } = raster;
  const levels = levelsOf(data);
  const { sky, top } = levels;
  const limit = Math.min(saturationLevel, sky + topShare * (top - sky));
  const minimumSamples = Math.max(minimumTopSamples, minimumTopArea * fwhm * fwhm);
  const seen = new Uint8Array(data.length);
  const stars: Star[] = [];
  for (let i = 0; i < data.length; i++) {
    if (seen[i] || !(data[i] >= limit)) continue;
    const group = groupOf(raster, i, limit, seen);
    // A bright nebula or galaxy that is cut is no star: stars are no larger than their halo.
    if (group.length < minimumSamples || group.length > maximumTopArea * fwhm * fwhm) continue;
    const radius = Math.sqrt(group.length / Math.PI);
    const { x, y } = centreOf(group, width);
    if (!fallsOff(raster, x, y, radius + 2 * fwhm, levels)) continue;
    const peak = top - sky;
    stars.push({
      x,
      y,
      flux: peak * group.length,
      peak,
      snr: 1000,
      fwhmPixels: fwhm,
      eccentricity: 0,
      elongationDegrees: 0,
      shape: [0, 0],
      halfFluxRadiusPixels: radius,
      background: sky,
      saturated: true,
    });
  }
  return stars;
}

/** Highest sample within two pixels of a star. */
function topLevel(raster: Raster, star: Star): number {
  const { data, width } = raster;
  const { x0, x1, y0, y1 } = boxAbout(raster, Math.round(star.x), Math.round(star.y), 2);
  let top = -Infinity;
  for (let y = y0; y <= y1; y++) {
    for (let x = x0; x <= x1; x++) if (data[y * width + x] > top) top = data[y * width + x];
  }
  return top;
}

/**
 * Level behind a star with a cut top: outward in steps of a FWHM until three circles in turn bring less than a
 * fiftieth of what lies between them and the top.
 */
function levelBehind(raster: Raster, star: Star, top: number, fwhm: number): number {
  let behind = top;
  let still = 0;
  for (let r = 2 * fwhm; r < maximumRadiusInFwhm * fwhm && still < 3; r += fwhm) {
    const around = circleSamples(raster, star.x, star.y, r);
    if (around.length < 4) break;
    const here = medianInPlace(around);
    still = here < behind - 0.02 * (top - here) ? 0 : still + 1;
    if (here < behind) behind = here;
  }
  return behind;
}

/**
 * Radius around a star within which samples of this plane are as high as its top; 0 where the plane shows no top. The
 * level behind the star is that of this plane: where the median of circles no longer falls.
 */
export function saturatedRadius(raster: Raster, star: Star, saturationLevel: number, fwhm: number): number {
  const top = Math.min(topLevel(raster, star), saturationLevel);
  const behind = levelBehind(raster, star, top, fwhm);
  if (!(top > behind)) return 0;
  const limit = behind + 0.8 * (top - behind);
  let radius = fwhm / 2;
  for (let r = 1; r < maximumRadiusInFwhm * fwhm; r++) {
    const around = circleSamples(raster, star.x, star.y, r);
    let high = 0;
    for (const v of around) if (v >= limit) high++;
    if (around.length === 0 || high < 0.3 * around.length) break;
    radius = r + 0.5;
  }
  return radius;
}
