/** Stars and what lies behind them, as two images whose sum is the original. */
import { allocatePlane, derive, type Image, requireLinear } from "../core/image.ts";
import { meanPlane } from "../core/mean_plane.ts";
import { returnPlane } from "../core/memory.ts";
import { settle } from "../core/options.ts";
import type { Raster } from "../core/raster.ts";
import type { Star } from "../core/star.ts";
import { pack, type Packed, unpack } from "../kernels/bands.ts";
import { parallelMap, type PoolTask } from "../parallel/pool.ts";
import { medianNeighbourDifference } from "../stats/neighbour_difference.ts";
import { detectStars, type StarList } from "./detect_stars.ts";
import { findCompanions } from "./find_companions.ts";
import { fitPlane, type FitSettings } from "./subtract_stars.ts";
import { likelyBeta } from "./psf.ts";
import { minimumRingHeight, refillCores } from "./refill_cores.ts";
import { fallsOff, findSaturatedTops } from "./saturated_tops.ts";
import { splitExactly } from "./split_exactly.ts";
import { psfError, subtractRings } from "./subtraction_residuals.ts";

/** Options of {@linkcode separateStars}. */
export interface SeparateStarsOptions {
  /** Least signal-to-noise ratio of a star that is taken out. */
  readonly detectionSigma: number;
  /**
   * Samples at or above this level are saturated, in the unit of the image; null when not known (clipped tops are seen
   * all the same).
   */
  readonly saturationLevel: number | null;
  /**
   * A star's core is filled from its surroundings where its flux is more than this many times the noise, or sooner.
   */
  readonly fillAbove: number;
  /** A star's flux is taken off outward to this many times the noise. */
  readonly reachBelow: number;
}

/**
 * What {@linkcode separateStars} uses for an option left out: stars of five standard deviations, of which pure noise
 * makes one in thirty million samples; a point-spread function is hardly ever truer than 4 %, so that up to eight times
 * the noise what a subtraction leaves hides in the noise (where the field's stars show a larger error, less is left to
 * subtraction); a twentieth of the noise is not seen.
 */
export const separateStarsDefaults: Readonly<SeparateStarsOptions> = Object.freeze({
  detectionSigma: 5,
  saturationLevel: null,
  fillAbove: 8,
  reachBelow: 0.05,
});

/** What {@linkcode separateStars} returns. */
export interface SeparatedStars {
  /** The image without its stars. */
  readonly starless: Image;
  /** The flux of the stars, above 0 nearly everywhere, 0 away from stars. */
  readonly stars: Image;
  /** Stars taken out, brightest first; those with a half-flux radius of 0 were seen beside others and not measured. */
  readonly list: readonly Star[];
  /** Full width at half maximum of the typical star, pixels; NaN without stars. */
  readonly fwhmPixels: number;
  /** Noise of a sample of the mean of the planes. */
  readonly noise: number;
}

/** What a subtraction may leave, in standard deviations of the noise, without being seen. */
const maximumHiddenResidual = 0.35;
/** Height of a cut top over that of the highest uncut star, at least: a lower one is a knot of the nebula. */
const minimumTopRatio = 0.5;
/** Stars that are looked for, at most. */
const maximumStars = 50_000;

/** One plane without its stars; borrowed. */
function starlessPlane(source: Raster, list: readonly Star[], settings: PlaneSettings): Float32Array {
  const { fwhm } = settings;
  const fitted = fitPlane(source, list, settings);
  const { residual, stars, psf, noise } = fitted;
  if (psf === null) return residual.data;
  for (const star of stars) {
    if (star.saturatedRadius > 0 || star.amplitude > minimumRingHeight * noise) subtractRings(fitted, star, psf, fwhm);
  }
  // Cores, where the point-spread function is not true enough, are filled: what a subtraction leaves shall hide in the
  // noise.
  const hidden = Math.max(1, maximumHiddenResidual / psfError(fitted, psf, fwhm));
  const filled = refillCores(fitted, psf, Math.min(settings.fillAbove, hidden));
  for (let i = 0; i < filled.length; i++) if (source.data[i] !== source.data[i]) filled[i] = NaN;
  returnPlane(residual.data);
  return filled;
}

/** How the stars of a plane are taken out. */
interface PlaneSettings extends FitSettings {
  /** See {@linkcode SeparateStarsOptions}. */
  readonly fillAbove: number;
}

/** One plane to part. */
interface SeparateJob {
  readonly data: Packed;
  readonly behind: Packed;
  readonly front: Packed;
  readonly width: number;
  readonly height: number;
  readonly list: readonly Star[];
  readonly settings: PlaneSettings;
}

/** Takes the stars out of one plane. */
export function separatePlane(job: SeparateJob): void {
  const { width, height, list, settings } = job;
  const [data, behind, front] = [job.data, job.behind, job.front].map(unpack<Float32Array>);
  if (list.length === 0) behind.set(data);
  else {
    const starless = starlessPlane({ data, width, height }, list, settings);
    behind.set(starless);
    returnPlane(starless);
  }
  splitExactly(data, behind, front);
}

const separateTask: PoolTask<SeparateJob, void> = {
  module: import.meta.url,
  name: "separatePlane",
  run: separatePlane,
};

/** Mean of the planes, each over its noise, so that a line ten times fainter than another shows its stars as well. */
function detectionPlane(image: Image): Float32Array {
  const { planes, width, height } = image;
  if (planes.length === 1) return planes[0].data;
  const noises = planes.map(({ data }) => medianNeighbourDifference(data));
  if (noises.some((v) => !(v > 0))) return meanPlane(image);
  const total = noises.reduce((sum, v) => sum + 1 / v, 0);
  const out = allocatePlane(width, height);
  planes.forEach(({ data }, c) => {
    const weight = 1 / noises[c] / total;
    for (let i = 0; i < out.length; i++) out[i] += weight * data[i];
  });
  return out;
}

/** Distance of two stars. */
const distanceOf = (a: Star, b: Star): number => Math.sqrt((a.x - b.x) * (a.x - b.x) + (a.y - b.y) * (a.y - b.y));

/**
 * The stars of a plane with those whose tops are cut so broad that no profile fits them, which detection leaves out.
 * Tops that are not those of stars lose their half-flux radius: they are taken off as uncut stars are.
 */
function withSaturatedTops(raster: Raster, found: StarList, saturationLevel: number): Star[] {
  const { fwhmPixels } = found;
  const cut = findSaturatedTops(raster, fwhmPixels, saturationLevel);
  const on = (s: Star, t: Star) => distanceOf(s, t) < t.halfFluxRadiusPixels + fwhmPixels;
  const measured = found.stars.filter((s) => s.saturated || !cut.some((t) => on(s, t)));
  const missed = cut.filter((t) => !measured.some((s) => s.saturated && on(s, t)));
  // Cut tops are the highest: a flat one that others outshine by far is a knot of the nebula.
  const highest = measured.reduce((best, s) => s.saturated ? best : Math.max(best, s.peak), 0);
  const isCut = (s: Star) => {
    const r = s.halfFluxRadiusPixels + 2 * fwhmPixels;
    const levels = { sky: found.background, top: s.background + s.peak };
    return s.peak >= minimumTopRatio * highest && fallsOff(raster, s.x, s.y, r, levels);
  };
  return [...missed, ...measured].map((s) => s.saturated && !isCut(s) ? { ...s, halfFluxRadiusPixels: 0 } : s);
}

/** All stars of an image, brightest first, and how they are taken out. */
function findStars(image: Image, used: Readonly<SeparateStarsOptions>) {
  const { detectionSigma, saturationLevel, fillAbove, reachBelow } = used;
  const detect = (data: Float32Array) =>
    detectStars(
      { ...image, planes: [{ channel: "L", data }], geometry: { ...image.geometry, bayer: null } },
      { detectionSigma, saturationLevel, maximumStars },
    );
  const data = detectionPlane(image);
  const raster = { data, width: image.width, height: image.height };
  const found = detect(data);
  const settings = {
    fwhm: found.fwhmPixels,
    beta: likelyBeta(found.moffatBeta),
    saturationLevel: saturationLevel ?? Infinity,
    reachBelow,
    fillAbove,
  };
  const list = withSaturatedTops(raster, found, settings.saturationLevel);
  const search = { ...settings, detectionSigma, detect: (plane: Float32Array) => detect(plane).stars };
  const all = list.length > 0 ? findCompanions(raster, list, search) : list;
  if (image.planes.length > 1) returnPlane(data);
  return { list: all, settings, noise: found.noise };
}

/**
 * Take the stars out of an image: `starless` + `stars` is the original again, to the bit wherever the original is at
 * least half as large as its parts (as it is while the sky is left in), and to one rounding of the larger part
 * elsewhere.
 *
 * Each star found is fitted with the field's own point-spread function (measured on its bright stars, elongation and
 * width followed) and subtracted; cores, where no such function is true enough, are filled with the surface of least
 * bending through their surroundings, and with noise from beside the star, so that no smooth spot shows.
 *
 * In:  linear, any planes; stars are found on the mean of the planes, each weighted by its noise, and fitted on each.
 * Out: two images of the same shape and unit; NaN stays NaN in both. Variance and mask go with `starless`. Cost: about
 * a second of processor time a plane for 2 megapixels and a thousand stars; planes run side by side. Method: after
 * Stetson 1987, PASP 99, 191 (fit and subtract); filling after Damelin & Hoang 2018.
 *
 * @throws {TypeError} if the image is a stretched picture
 * @throws {RangeError} if an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { separateStars } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(2), data = new Float32Array(128 * 128);
 * for (let i = 0; i < data.length; i++) {
 *   const x = i % 128, y = Math.floor(i / 128);
 *   data[i] = 500 + 5 * random.gaussian() + 2000 * Math.exp(-((x - 60.2) ** 2 + (y - 70.4) ** 2) / 4);
 * }
 * const image = createImage({ width: 128, height: 128, unit: "adu", planes: [{ channel: "L", data }] });
 * const { starless, stars } = separateStars(image);
 * const [a, b] = [starless.planes[0].data, stars.planes[0].data];
 * assert.ok(data.every((v, i) => Math.fround(a[i] + b[i]) === v));
 * assert.ok(Math.abs(a[70 * 128 + 60] - 500) < 30);
 * ```
 */
export function separateStars(image: Image, options: Partial<SeparateStarsOptions> = {}): SeparatedStars {
  const used = settle("separateStars", separateStarsDefaults, options);
  requireLinear("separateStars", image);
  const { detectionSigma, fillAbove, reachBelow } = used;
  if (!(detectionSigma >= 3)) {
    throw new RangeError(`separateStars: detectionSigma must be ≥ 3, but got ${detectionSigma}; below it is noise`);
  }
  if (!(fillAbove > 0)) throw new RangeError(`separateStars: fillAbove must be > 0, but got ${fillAbove}`);
  if (!(reachBelow > 0)) throw new RangeError(`separateStars: reachBelow must be > 0, but got ${reachBelow}`);
  const { width, height, planes } = image;
  const { list, settings, noise } = findStars(image, used);
  const fwhmPixels = settings.fwhm;
  const behind = planes.map(() => allocatePlane(width, height));
  const front = planes.map(() => allocatePlane(width, height));
  const jobs = planes.map(({ data }, c): SeparateJob => ({
    data: pack(data),
    behind: pack(behind[c]),
    front: pack(front[c]),
    width,
    height,
    list,
    settings,
  }));
  parallelMap(separateTask, jobs, { label: "separating stars" });
  const notes = [`${list.length} stars, FWHM ${fwhmPixels.toFixed(2)} px`];
  const entry = { step: "separateStars", options: used, notes };
  const named = (parts: readonly Float32Array[]) => planes.map(({ channel }, c) => ({ channel, data: parts[c] }));
  return {
    starless: derive(image, { planes: named(behind) }, { ...entry, output: "starless" }),
    stars: derive(image, { planes: named(front), variance: null, mask: null }, { ...entry, output: "stars" }),
    list,
    fwhmPixels,
    noise,
  };
}
