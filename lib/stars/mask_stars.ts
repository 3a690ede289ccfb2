/** A mask of the stars: where they are, as far as their flux shows. */
import { allocatePlane, derive, type Image, requireImage } from "../core/image.ts";
import { meanPlane } from "../core/mean_plane.ts";
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { cosPortable, expPortable, powPortable, sinPortable } from "../kernels/elementary.ts";
import { boxAbout, type Raster } from "../core/raster.ts";
import { medianInPlace } from "../stats/samples.ts";
import { detectStars, type StarList } from "./detect_stars.ts";
import { likelyBeta } from "./psf.ts";
import { findSaturatedTops } from "./saturated_tops.ts";

/** Options of {@linkcode maskStars}. */
export interface MaskStarsOptions {
  /** Least signal-to-noise ratio of a star in the mask. */
  readonly detectionSigma: number;
  /** A star is covered out to where its brightness has fallen to this many times the noise. */
  readonly edgeSigma: number;
  /** Factor on the radius. */
  readonly grow: number;
  /** Width of the soft edge, in FWHM of the stars. */
  readonly feather: number;
}

/**
 * What {@linkcode maskStars} uses for an option left out: down to one standard deviation of the noise, with an edge
 * half a star wide.
 */
export const maskStarsDefaults: Readonly<MaskStarsOptions> = Object.freeze({
  detectionSigma: 5,
  edgeSigma: 1,
  grow: 1,
  feather: 0.5,
});

/** Height over the noise from which a star shows halo and spikes. */
const minimumHaloHeight = 500;
/** Directions that are looked along from a bright star. */
const directionCount = 96;
/** How much farther than the typical direction a spike reaches, at least. */
const minimumSpikeReach = 1.35;
/** Furthest distance that is looked to, in FWHM. */
const furthestInFwhm = 60;
/** Half the width of a spike, in FWHM. */
const halfSpikeInFwhm = 0.75;
/** Width of the soft edge that is drawn, in its standard deviations. */
const edgeReach = 3;
/** Stars that are looked for, at most. */
const maximumStars = 50_000;

/** How stars are covered. */
interface CoverSettings {
  /** Brightness at the edge, above the background. */
  readonly edge: number;
  /** Factor on the radius. */
  readonly grow: number;
  /** Width of the soft edge in FWHM. */
  readonly feather: number;
  /** Typical FWHM of the stars, pixels. */
  readonly fwhm: number;
  /** Exponent of the Moffat profile. */
  readonly beta: number;
}

/** Raise the mask at a pixel `distance` beyond what is covered, with a Gaussian edge of `soft` pixels. */
function cover(mask: Raster, x: number, y: number, distance: number, soft: number): void {
  const u = distance / soft;
  const value = distance <= 0 ? 1 : soft > 0 && distance < edgeReach * soft ? expPortable(-0.5 * u * u) : 0;
  const i = y * mask.width + x;
  if (value > mask.data[i]) mask.data[i] = value;
}

/** Cover a disc about a star. */
function coverDisc(mask: Raster, star: Star, radius: number, soft: number): void {
  const { x0, x1, y0, y1 } = boxAbout(mask, star.x, star.y, radius + edgeReach * soft);
  for (let y = y0; y <= y1; y++) {
    for (let x = x0; x <= x1; x++) {
      const r = Math.sqrt((x - star.x) * (x - star.x) + (y - star.y) * (y - star.y));
      cover(mask, x, y, r - radius, soft);
    }
  }
}

/** Cover a strip of a spike's width from a star outward along a direction. */
function coverSpike(mask: Raster, star: Star, [ux, uy]: Direction, far: number, settings: CoverSettings): void {
  const half = halfSpikeInFwhm * settings.fwhm;
  const soft = settings.feather * settings.fwhm;
  const { x0, x1, y0, y1 } = boxAbout(mask, star.x, star.y, far + edgeReach * soft);
  for (let y = y0; y <= y1; y++) {
    for (let x = x0; x <= x1; x++) {
      const along = (x - star.x) * ux + (y - star.y) * uy;
      const across = (y - star.y) * ux - (x - star.x) * uy;
      if (along >= 0) cover(mask, x, y, Math.max(Math.abs(across) - half, along - far), soft);
    }
  }
}

/** A unit vector. */
type Direction = readonly [number, number];

const directions: readonly Direction[] = Array.from({ length: directionCount }, (_, k) => {
  const angle = 2 * Math.PI * k / directionCount;
  return [cosPortable(angle), sinPortable(angle)];
});

/** Mean of five samples across a direction at a distance, so that noise does not end the way nor carry it on. */
function meanAcross({ data, width, height }: Raster, star: Star, [ux, uy]: Direction, r: number): number {
  let sum = 0;
  let n = 0;
  for (let side = -2; side <= 2; side++) {
    const x = Math.round(star.x + r * ux - 0.5 * side * uy);
    const y = Math.round(star.y + r * uy + 0.5 * side * ux);
    if (x < 0 || y < 0 || x >= width || y >= height) continue;
    const v = data[y * width + x];
    if (v === v) {
      sum += v;
      n++;
    }
  }
  return n === 0 ? NaN : sum / n;
}

/** How far a star shows along a direction: to two steps in turn that are no brighter than the edge. */
function reachAlong(
  raster: Raster,
  star: Star,
  direction: Direction,
  { level, edge }: { readonly level: number; readonly edge: number },
  furthest: number,
): number {
  let below = 0;
  let r = Math.max(1, star.halfFluxRadiusPixels);
  for (; r < furthest && below < 2; r += 1) {
    const mean = meanAcross(raster, star, direction, r);
    if (mean !== mean) break;
    below = mean - level > edge ? 0 : below + 1;
  }
  return r - below;
}

/** Median of the samples on a circle; NaN where fewer than twelve have data. */
function levelAt({ data, width, height }: Raster, star: Star, radius: number): number {
  const around = new Float64Array(directionCount);
  let n = 0;
  for (const [ux, uy] of directions) {
    const x = Math.round(star.x + radius * ux);
    const y = Math.round(star.y + radius * uy);
    if (x < 0 || y < 0 || x >= width || y >= height) continue;
    const v = data[y * width + x];
    if (v === v) around[n++] = v;
  }
  return n < 12 ? NaN : medianInPlace(around, n);
}

/** How far a bright star shows in each direction, and in the typical one. */
function reachesOf(raster: Raster, star: Star, { edge, fwhm }: CoverSettings) {
  let level = star.background;
  let reach: number[] = [];
  let typical = 0;
  // Once over the level of the star's record, and once over the one that lies twice as far out as the star seemed to
  // reach.
  for (let pass = 0; pass < 2; pass++) {
    reach = directions.map((each) => reachAlong(raster, star, each, { level, edge }, furthestInFwhm * fwhm));
    typical = medianInPlace(Float64Array.from(reach));
    const beyond = levelAt(raster, star, 2 * typical + 3 * fwhm);
    if (beyond === beyond) level = beyond;
  }
  return { reach, typical };
}

/** Whether a direction is that of a spike: it stands out, and so does one on the opposite side (not so a neighbour). */
function isSpike(reach: readonly number[], k: number, typical: number, furthest: number): boolean {
  const at = (direction: number) => reach[(direction + directionCount) % directionCount];
  let opposite = 0;
  for (let j = -2; j <= 2; j++) opposite = Math.max(opposite, at(k + directionCount / 2 + j));
  const limit = minimumSpikeReach * typical;
  return reach[k] >= at(k - 1) && reach[k] >= at(k + 1) && opposite > limit && reach[k] > limit &&
    reach[k] < furthest - 1;
}

/**
 * Cover a bright star as far as it shows: a disc out to where the typical direction meets the level beside it, and
 * strips along the directions that stand out farther (diffraction spikes).
 */
function coverBright(mask: Raster, raster: Raster, star: Star, settings: CoverSettings): void {
  const { grow, feather, fwhm } = settings;
  const { reach, typical } = reachesOf(raster, star, settings);
  coverDisc(mask, star, grow * typical, feather * fwhm);
  directions.forEach((direction, k) => {
    if (isSpike(reach, k, typical, furthestInFwhm * fwhm)) coverSpike(mask, star, direction, grow * reach[k], settings);
  });
}

/** Radius at which a star's Moffat profile meets the edge. */
function moffatRadius(star: Star, fwhm: number, { edge, beta }: CoverSettings): number {
  const alpha = fwhm / (2 * Math.sqrt(powPortable(2, 1 / beta) - 1));
  const ratio = Math.max(1.01, star.peak / edge);
  return Math.max(star.halfFluxRadiusPixels || 0, alpha * Math.sqrt(powPortable(ratio, 1 / beta) - 1));
}

/** Whether a star lies on the top of another. */
const liesOn = (s: Star, t: Star): boolean =>
  (s.x - t.x) * (s.x - t.x) + (s.y - t.y) * (s.y - t.y) <
    (t.halfFluxRadiusPixels + t.fwhmPixels) * (t.halfFluxRadiusPixels + t.fwhmPixels);

/** Stars that show more than their core: cut ones and the brightest. */
function brightStars(raster: Raster, { stars, fwhmPixels, noise }: StarList): Star[] {
  const cut = findSaturatedTops(raster, fwhmPixels, Infinity);
  const bright = stars.filter((s) => s.saturated || s.peak > minimumHaloHeight * noise);
  return [...cut, ...bright.filter((s) => !cut.some((t) => liesOn(s, t)))];
}

/**
 * A soft mask of the stars: 1 on stars, 0 away from them, one plane `stars`, unit "display". Each star is a disc out
 * to where its Moffat profile meets the noise, r = α √((peak / (edge · noise))^(1/β) − 1), with a Gaussian edge. Cut
 * stars and the brightest ones are covered as far as their flux shows, halo and diffraction spikes with it.
 *
 * In:  linear, any planes (stars are found on their mean). Cost: a star detection and the area of the discs.
 *
 * @throws {TypeError} if the image is a stretched picture
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { maskStars } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(2);
 * const data = Float32Array.from({ length: 128 * 128 }, (_, i) => {
 *   const x = i % 128, y = Math.floor(i / 128);
 *   return 500 + 5 * random.gaussian() + 2000 * Math.exp(-((x - 60.2) ** 2 + (y - 70.4) ** 2) / 4);
 * });
 * const mask = maskStars(createImage({ width: 128, height: 128, unit: "adu", planes: [{ channel: "L", data }] }));
 * assert.equal(mask.planes[0].data[70 * 128 + 60], 1);
 * assert.equal(mask.planes[0].data[20 * 128 + 20], 0);
 * ```
 */
export function maskStars(image: Image, options: Partial<MaskStarsOptions> = {}): Image {
  requireImage("maskStars", image);
  const used = settle("maskStars", maskStarsDefaults, options);
  const { detectionSigma, edgeSigma, grow, feather } = used;
  if (!(edgeSigma > 0)) throw new RangeError(`maskStars: edgeSigma must be > 0, but got ${edgeSigma}`);
  if (!(grow > 0)) throw new RangeError(`maskStars: grow must be > 0, but got ${grow}`);
  if (!(feather >= 0)) throw new RangeError(`maskStars: feather must be ≥ 0, but got ${feather}`);
  const { width, height } = image;
  const raster = { data: meanPlane(image), width, height };
  const found = detectStars(
    { ...image, planes: [{ channel: "L", data: raster.data }], geometry: { ...image.geometry, bayer: null } },
    { detectionSigma, maximumStars },
  );
  const settings = {
    edge: edgeSigma * found.noise,
    grow,
    feather,
    fwhm: found.fwhmPixels,
    beta: likelyBeta(found.moffatBeta),
  };
  const mask = { data: allocatePlane(width, height), width, height };
  const bright = brightStars(raster, found);
  for (const star of bright) coverBright(mask, raster, star, settings);
  for (const star of found.stars) {
    const fwhm = star.saturated ? found.fwhmPixels : star.fwhmPixels;
    coverDisc(mask, star, grow * moffatRadius(star, fwhm, settings), feather * fwhm);
  }
  return derive(image, { planes: [{ channel: "stars", data: mask.data }], unit: "display", variance: null }, {
    step: "maskStars",
    options: used,
    notes: [`${found.stars.length} stars, ${bright.length} of them with what shows of halo and spikes`],
  });
}
