/** Everything the night report wants to know of one frame. */
import type { FrameFacts } from "../core/frame_record.ts";
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { median } from "../stats/median.ts";
import { madSigma } from "../stats/mad_sigma.ts";
import { robustFit } from "../stats/robust_fit.ts";
import { isUndersampled } from "../stars/undersampled_stars.ts";
import { starsFromSearch } from "../stars/stars_from_search.ts";
import { type FieldMap, mapField } from "./field_map.ts";
import { findFlashes, findTrails, type Trail, trailDistance, trailReach } from "./find_trails.ts";
import { centralLevel, type Doubling, findCloseDoubling, findDoubling, haloShare } from "../stars/mean_star.ts";
import { maskedBackground } from "../stars/masked_background.ts";
import { eccentricityOf } from "../stars/ellipse.ts";
import { isCrowded } from "../stars/deblend.ts";
import { pixelScatter } from "../stars/pixel_scatter.ts";
import { samplingOf } from "../core/sampling.ts";
import type { Candidate, TurnedDown } from "../stars/candidate.ts";
import { closeSearch, searchStars, type StarSearch } from "../stars/search_stars.ts";

/** Options of {@linkcode measureFrame}. */
export interface MeasureFrameOptions {
  /** Least signal-to-noise ratio of a star. */
  readonly detectionSigma: number;
  /** Channel to measure; null: green of a mosaic or colour image, else the first plane. */
  readonly channel: string | null;
  /** Saturation level in the unit of the image; null: 0.98 of the full scale that the facts tell, if they do. */
  readonly saturationLevel: number | null;
  /** At most this many stars in the list, the brightest; the count is of all. */
  readonly listedStars: number;
}

/**
 * What {@linkcode measureFrame} uses for an option left out. 500 stars are more than matching needs and a table of a
 * thousand frames can hold.
 */
export const measureFrameDefaults: MeasureFrameOptions = Object.freeze({
  detectionSigma: 5,
  channel: null,
  saturationLevel: null,
  listedStars: 500,
});

/**
 * What was measured on one frame. Plain data: it may cross to another thread or into JSON. Levels in the unit of the
 * image.
 */
export interface FrameQuality {
  /** Channel measured. */
  readonly channel: string;
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Number of stars found. */
  readonly starCount: number;
  /** The brightest stars, for matching and overlays. */
  readonly stars: readonly Star[];
  /** Median FWHM of the clean stars, pixels; NaN without stars. */
  readonly fwhmPixels: number;
  /** The same in arcseconds; null when the scale is not known. */
  readonly fwhmArcsec: number | null;
  /** Exponent of the frame's Moffat profile. */
  readonly moffatBeta: number;
  /** Median standard deviation of the stars' matched Gaussian across their short axis, pixels; NaN without stars. */
  readonly shortSigmaPixels: number;
  /** Typical eccentricity of a star, free of the bias that noise gives; NaN without stars. */
  readonly eccentricity: number;
  /** Direction of the mean elongation, from +x towards +y, 0 … 180. */
  readonly elongationDegrees: number;
  /** Mean shape of the stars as a spin-2 vector: the part of the elongation all stars share. */
  readonly meanShape: readonly [number, number];
  /** Share of the elongation that all stars have in common, 0 … 1. */
  readonly alignment: number;
  /** Median radius that holds half of a star's light, pixels. */
  readonly halfFluxRadiusPixels: number;
  /** Median level of the sky. */
  readonly background: number;
  /** Difference of the sky between opposite borders along its clipLimit slope, from a plane through the sky tiles. */
  readonly gradient: number;
  /** Direction in which the sky brightens, from +x towards +y, 0 … 360. */
  readonly gradientDegrees: number;
  /** Standard deviation of a pixel of sky. */
  readonly noise: number;
  /** Scatter of whole rows beyond the noise. */
  readonly rowBanding: number;
  /** Scatter of whole columns beyond the noise. */
  readonly columnBanding: number;
  /** Share of the samples at or above the saturation level. */
  readonly saturatedShare: number;
  /** Share of the frame whose samples are all equal: missing data written as a constant. */
  readonly constantShare: number;
  /** Share of the samples that are missing (NaN). */
  readonly missingShare: number;
  /** Level in the middle of the mean star over the highest of its profile; below 0.8 it is a ring. */
  readonly centralLevel: number;
  /** Share of a star's light between 2 and 5 FWHM; NaN without bright stars. */
  readonly haloShare: number;
  /** A second image of every star; null when there is none. */
  readonly doubling: Doubling | null;
  /** Straight trails. */
  readonly trails: readonly Trail[];
  /** Width and shape over the field. */
  readonly fieldMap: FieldMap;
  /**
   * Sum of the fluxes of the listed stars' brighter half: a first idea of transparency where stars cannot be matched.
   */
  readonly starFlux: number;
  /** What looked like a star and was none. */
  readonly turnedDown: TurnedDown;
}

/** Robust plane through the sky tiles: range over the frame and direction. */
function skyGradient(seen: StarSearch): { range: number; degrees: number } {
  const { columns, rows, level } = seen.mesh;
  const u: number[] = [];
  const v: number[] = [];
  const z: number[] = [];
  for (let r = 0; r < rows; r++) {
    for (let c = 0; c < columns; c++) {
      u.push(columns === 1 ? 0 : c / columns - (columns - 1) / columns / 2);
      v.push(rows === 1 ? 0 : r / rows - (rows - 1) / rows / 2);
      z.push(level[r * columns + c]);
    }
  }
  const fit = columns < 2 || rows < 2 ? null : robustFit([u.map(() => 1), u, v], z);
  if (fit === null) return { range: 0, degrees: 0 };
  const [, a, b] = fit.coefficients;
  return { range: Math.abs(a) + Math.abs(b), degrees: (Math.atan2(b, a) * 180 / Math.PI + 360) % 360 };
}

/**
 * Typical elongation of the stars: what they share, and what scatters beyond noise. How much noise scatters is asked
 * of the frame itself: squared scatter against 1/SNR² in groups of like SNR is a line, whose slope is the noise (4 for
 * Gaussian stars in the sky limit, more for wings, photon noise and coarse pixels) and whose intercept is real, but
 * for what coarse pixels do to equal stars (`pixels`, a variance).
 */
function frameShape(
  stars: readonly Star[],
  pixels: number,
): { mean: [number, number]; chi: number; alignment: number } {
  const sorted = [...stars].sort((a, b) => b.snr - a.snr);
  const n = sorted.length;
  const bright = sorted.slice(0, Math.max(25, Math.ceil(n / 2)));
  const e1 = bright.map((star) => star.shape[0]);
  const e2 = bright.map((star) => star.shape[1]);
  const m1 = median(e1);
  const m2 = median(e2);
  const spread2 = (list: readonly Star[]) =>
    madSigma(list.map((star) => star.shape[0] - m1), 0) ** 2 + madSigma(list.map((star) => star.shape[1] - m2), 0) ** 2;
  // The medians themselves are noisy: π/2 · variance / n each.
  const shared = Math.max(0, m1 * m1 + m2 * m2 - 1.5708 * spread2(bright) / bright.length);
  const groups = Math.min(6, Math.floor(n / 8));
  let scattered = 0;
  if (groups >= 3) {
    let sw = 0;
    let sx = 0;
    let sy = 0;
    let sxx = 0;
    let sxy = 0;
    for (let g = 0; g < groups; g++) {
      const part = sorted.slice(Math.floor(g * n / groups), Math.floor((g + 1) * n / groups));
      const x = part.reduce((sum, star) => sum + 1 / star.snr ** 2, 0) / part.length;
      const y = spread2(part);
      // A squared scatter is known to a share of itself.
      const w = part.length / Math.max(y, 1e-6) ** 2;
      sw += w;
      sx += w * x;
      sy += w * y;
      sxx += w * x * x;
      sxy += w * x * y;
    }
    const determinant = sw * sxx - sx * sx;
    const slope = determinant > 0 ? Math.max(8, (sw * sxy - sx * sy) / determinant) : 8;
    const intercept = (sy - slope * sx) / sw;
    // The squared MADN of two components of m values scatters by 1.65 / √m of itself.
    const error = 1.65 * Math.sqrt(determinant > 0 ? sxx / determinant : 1 / sw);
    const real = intercept - pixels;
    scattered = real > Math.max(2 * error, 0.5 * pixels) ? real : 0;
  }
  const chi2 = shared + scattered;
  return { mean: [m1, m2], chi: Math.sqrt(chi2), alignment: chi2 > 0 ? Math.sqrt(shared / chi2) : 0 };
}

/** A survey less what is no star; the frame's ellipse, which may have been made by it too, from what is left. */
function withoutPieces(seen: StarSearch, pieces: readonly boolean[]): StarSearch {
  const stars = seen.stars.filter((_, k) => !pieces[k]);
  const { width } = seen;
  const shaped = stars.filter((star) => star.shaped && !star.saturated && star.snr >= 12);
  if (width === null || shaped.length < 5) return { ...seen, stars };
  const middle = (of: (star: Candidate) => number) => median(shaped.map(of));
  const frame = { xx: middle((star) => star.xx), xy: middle((star) => star.xy), yy: middle((star) => star.yy) };
  return { ...seen, stars, width: frame };
}

/**
 * Measure one frame: stars, their width and shape and how these change over the field, sky, noise, and the marks of
 * faults (rings, second images, trails, banding, constant areas). Raw or calibrated, mono, mosaic (green pixels) or
 * colour (plane G). Depends on nothing but its arguments, so that it may run in a worker.
 *
 * Cost: about 12 ns a pixel. Work space: at most 5 bytes for each byte of the frame's float32 plane.
 *
 * @param image the frame, linear
 * @param facts what the header says; scale, full scale and gain are used when known
 * @throws {TypeError} if the image is a finished picture or lacks the channel
 * @throws {RangeError} if an option is out of range
 *
 * @example A frame without stars has a sky and no FWHM
 * ```ts
 * import assert from "node:assert/strict";
 * import { measureFrame } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(3), data = Float32Array.from({ length: 160 * 160 }, () => 300 + 4 * random.gaussian());
 * const image = createImage({ width: 160, height: 160, unit: "adu", planes: [{ channel: "L", data }] });
 * const quality = measureFrame(image, {});
 * assert.equal(quality.starCount, 0);
 * assert.ok(Math.abs(quality.background - 300) < 0.5 && Math.abs(quality.noise - 4) < 0.4);
 * assert.ok(Number.isNaN(quality.fwhmPixels));
 * ```
 */
export function measureFrame(
  image: Image,
  facts: Partial<FrameFacts> = {},
  options: Partial<MeasureFrameOptions> = {},
): FrameQuality {
  const used = settle("measureFrame", measureFrameDefaults, options);
  if (!(used.detectionSigma > 0)) {
    throw new RangeError(`measureFrame: detectionSigma must be > 0, but got ${used.detectionSigma}`);
  }
  if (!(used.listedStars >= 1)) {
    throw new RangeError(`measureFrame: listedStars must be ≥ 1, but got ${used.listedStars}`);
  }
  const sampling = samplingOf("measureFrame", image, used.channel);
  const fullScale = image.unit === "adu" ? facts.fullScaleAdu ?? null : null;
  const saturationLevel = used.saturationLevel ?? (fullScale === null ? Infinity : 0.98 * fullScale);
  const seen = searchStars(sampling, {
    detectionSigma: used.detectionSigma,
    saturationLevel,
    electronsPerUnit: image.unit === "electron" ? 1 : image.unit === "adu" ? facts.electronsPerAdu ?? 0 : 0,
    maximumStars: 20000,
  });
  const { width, height } = sampling;
  const alone = starsFromSearch(seen, false);
  const { trails: dotted, flashes } = findFlashes(alone.stars, width, height);
  const steady = flashes.size === 0 ? alone.stars : alone.stars.filter((star) => !flashes.has(star));
  const trails = [...dotted, ...findTrails(seen.grid, steady, alone.fwhmPixels)];
  // What a satellite or an aircraft left is listed as stars in pieces: out with flashes and with what is long or faint
  // along a line.
  const reach = trailReach(width, height);
  const isNear = (star: Star) => trails.some((trail) => trailDistance(trail, star.x, star.y, width, height) < reach);
  const isPiece = (star: Star) => flashes.has(star) || (isNear(star) && (star.eccentricity > 0.5 || star.snr < 12));
  const pieces = trails.length === 0 ? null : alone.stars.map(isPiece);
  const whole = pieces === null ? seen : withoutPieces(seen, pieces);
  const settled = pieces === null && !isCrowded(seen, alone.fwhmPixels) ? alone : starsFromSearch(whole, true);
  const { stars: listedAll, profile, fwhmPixels: surveyed } = settled;
  const stars = trails.length === 0 ? listedAll : listedAll.filter((star) => !isPiece(star));
  // Stars on a trail have a shape of both.
  const clear = trails.length === 0 ? stars : stars.filter((star) => !isNear(star));
  // Width and shape from stars bright enough for a shape of their own; the less noisy the better, down to where there
  // are 25.
  let clean: Star[] = [];
  for (const least of [50, 30, 20, 12, 8]) {
    clean = clear.filter((star) => !star.saturated && star.snr >= least);
    if (clean.length >= 25) break;
  }
  // On coarse pixels the fit to a single faint star is narrow more often than wide (8 % at SNR 15): the mean star's
  // width is not.
  const coarse = whole.width !== null && isUndersampled(sampling, whole.width);
  const fwhmPixels = clean.length === 0 || coarse ? surveyed : median(clean.map((star) => star.fwhmPixels));
  const shaped = clear.filter((star) => !star.saturated && star.snr >= 12);
  // Shapes that were fitted to the samples do not hang on where a star fell on them.
  const pixels = whole.width === null || coarse ? 0 : pixelScatter(sampling, whole.width, profile.moffat);
  const shape = clean.length < 3 ? null : frameShape(shaped.length >= clean.length ? shaped : clean, pixels);
  const sky = maskedBackground(seen.sampling, seen, stars, surveyed, profile.moffat.beta);
  const scale = image.geometry.arcsecPerPixel ?? facts.arcsecPerPixel ?? null;
  const gradient = skyGradient(seen);
  const tiles = seen.rawLevel.length;
  let constant = 0;
  let missing = 0;
  for (let i = 0; i < tiles; i++) if (seen.rawLevel[i] !== seen.rawLevel[i]) missing++;
  let saturated = 0;
  let sampled = 0;
  let equal = 0;
  let none = 0;
  // Every seventh sample of every third row: shares to a thousandth.
  for (let y = 0; y < height; y += 3) {
    for (let i = y * width + y % 7, end = (y + 1) * width - 2; i < end; i += 7) {
      const v = sampling.data[i];
      sampled++;
      if (v >= saturationLevel) saturated++;
      if (v !== v) none++;
      else if (v === sampling.data[i + 2] && v === sampling.data[i + 1]) equal++;
    }
  }
  // Three equal neighbours happen by chance on a quantised sky of little noise; whole areas do not.
  const chance = seen.noise > 0 ? Math.min(1, 0.2 / (seen.noise * seen.noise)) : 0;
  constant = Math.max(0, equal / Math.max(1, sampled) - chance);
  const listed = stars.slice(0, used.listedStars);
  closeSearch(seen, sampling);
  return {
    channel: sampling.channel,
    width,
    height,
    starCount: stars.length,
    stars: listed,
    fwhmPixels,
    fwhmArcsec: scale === null || !(fwhmPixels > 0) ? null : fwhmPixels * scale,
    moffatBeta: stars.length === 0 ? NaN : profile.moffat.beta,
    shortSigmaPixels: clean.length === 0 ? NaN : median(clean.map((star) => {
      const chi = Math.min(0.999, Math.hypot(star.shape[0], star.shape[1]));
      return star.fwhmPixels / profile.fwhmPerSigma * Math.pow((1 - chi) / (1 + chi), 0.25);
    })),
    eccentricity: shape === null ? NaN : eccentricityOf(shape.chi),
    elongationDegrees: shape === null ? NaN : ((Math.atan2(shape.mean[1], shape.mean[0]) * 90 / Math.PI) + 180) % 180,
    meanShape: shape === null ? [NaN, NaN] : shape.mean,
    alignment: shape === null ? 0 : shape.alignment,
    halfFluxRadiusPixels: clean.length === 0 ? NaN : median(clean.map((star) => star.halfFluxRadiusPixels)),
    background: sky.level,
    gradient: gradient.range,
    gradientDegrees: gradient.degrees,
    noise: sky.noise,
    rowBanding: seen.rowBanding,
    columnBanding: seen.columnBanding,
    saturatedShare: sampled === 0 ? 0 : saturated / sampled,
    constantShare: constant,
    missingShare: sampled === 0 ? missing / tiles : none / sampled,
    centralLevel: stars.length === 0 ? NaN : centralLevel(profile),
    haloShare: haloShare(sampling, clear, surveyed),
    doubling: findDoubling(stars, width, height, surveyed) ?? findCloseDoubling(sampling, stars, surveyed),
    trails,
    fieldMap: mapField(clear, width, height),
    starFlux: listed.slice(0, Math.ceil(listed.length / 2)).reduce((sum, star) => sum + star.flux, 0),
    turnedDown: seen.turnedDown,
  };
}
