/** Everything the night report wants to know of one frame. */
import type { FrameFacts } from "../core/frame_record.ts";
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { type Sampling, samplingOf } from "../core/sampling.ts";
import type { Star } from "../core/star.ts";
import type { TurnedDown } from "../stars/candidate.ts";
import { eccentricityOf } from "../stars/ellipse.ts";
import { type Doubling, findCloseDoubling, findDoubling } from "../stars/find_doubling.ts";
import { haloShare } from "../stars/halo_share.ts";
import { maskedBackground } from "../stars/masked_background.ts";
import { centralLevel } from "../stars/frame_profile.ts";
import { pixelScatter } from "../stars/pixel_scatter.ts";
import { closeSearch, searchStars, type StarSearch } from "../stars/search_stars.ts";
import { isUndersampled } from "../stars/undersampled_stars.ts";
import { median } from "../stats/median.ts";
import { type FieldMap, mapField } from "./field_map.ts";
import { sampleShares } from "./sample_shares.ts";
import { skyGradient } from "./sky_gradient.ts";
import { type StarsAndTrails, starsWithoutTrails } from "./stars_without_trails.ts";
import type { Trail } from "./trail.ts";
import { typicalElongation } from "./typical_elongation.ts";

/** Most stars kept of a search; the count is of all of them. */
const maximumStars = 20_000;
/** Share of full scale from which on samples count as saturated. */
const saturatedShareOfScale = 0.98;
/** Signal-to-noise ratios of the stars that width and shape are taken from: the first that leaves enough of them. */
const cleanSnrs: readonly number[] = [50, 30, 20, 12, 8];
const minimumCleanStars = 25;
/** Least signal-to-noise ratio of a star for the frame's elongation. */
const minimumShapeSnr = 12;
/** Fewest stars that tell an elongation. */
const minimumElongatedStars = 3;

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
  /** Median radius that holds half of a star's flux, pixels. */
  readonly halfFluxRadiusPixels: number;
  /** Median level of the sky. */
  readonly background: number;
  /** Difference of the sky between opposite borders along its steepest slope, from a plane through the sky tiles. */
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
  /** Share of a star's flux between 2 and 5 FWHM; NaN without bright stars. */
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

/** Settings of the search of a frame. */
function searchFrame(
  sampling: Sampling,
  { unit }: Image,
  facts: Partial<FrameFacts>,
  { detectionSigma, saturationLevel }: MeasureFrameOptions,
): StarSearch {
  const fullScale = unit === "adu" ? facts.fullScaleAdu ?? null : null;
  return searchStars(sampling, {
    detectionSigma,
    saturationLevel: saturationLevel ?? (fullScale === null ? Infinity : saturatedShareOfScale * fullScale),
    electronsPerUnit: unit === "electron" ? 1 : unit === "adu" ? facts.electronsPerAdu ?? 0 : 0,
    maximumStars,
  });
}

/** Stars bright enough for a shape of their own; the less noisy the better, down to where there are enough. */
function cleanStars(stars: readonly Star[]): Star[] {
  let clean: Star[] = [];
  for (const minimum of cleanSnrs) {
    clean = stars.filter((star) => !star.saturated && star.snr >= minimum);
    if (clean.length >= minimumCleanStars) break;
  }
  return clean;
}

/** Standard deviation of a star's matched Gaussian across its short axis, pixels. */
function shortSigma({ shape, fwhmPixels }: Star, fwhmPerSigma: number): number {
  const chi = Math.min(0.999, Math.hypot(shape[0], shape[1]));
  return fwhmPixels / fwhmPerSigma * Math.pow((1 - chi) / (1 + chi), 0.25);
}

/** The columns that come from width and shape of the stars. */
type StarMeasures = Pick<
  FrameQuality,
  | "fwhmPixels"
  | "shortSigmaPixels"
  | "eccentricity"
  | "elongationDegrees"
  | "meanShape"
  | "alignment"
  | "halfFluxRadiusPixels"
>;

/** Typical width and shape of a frame's stars. */
function measureStars(sampling: Sampling, { clear, profile, fwhmPixels, shape }: StarsAndTrails): StarMeasures {
  const clean = cleanStars(clear);
  const medianOf = (of: (star: Star) => number) => clean.length === 0 ? NaN : median(clean.map(of));
  // On coarse pixels the fit to a single faint star is narrow more often than wide (8 % at SNR 15): the mean star's
  // width is not.
  const coarse = shape !== null && isUndersampled(sampling, shape);
  const shaped = clear.filter((star) => !star.saturated && star.snr >= minimumShapeSnr);
  // Shapes that were fitted to the samples do not hang on where a star fell on them.
  const pixelVariance = shape === null || coarse ? 0 : pixelScatter(sampling, shape, profile.moffat);
  const elongation = clean.length < minimumElongatedStars
    ? null
    : typicalElongation(shaped.length >= clean.length ? shaped : clean, pixelVariance);
  const [e1, e2] = elongation?.mean ?? [NaN, NaN];
  return {
    fwhmPixels: clean.length === 0 || coarse ? fwhmPixels : medianOf((star) => star.fwhmPixels),
    shortSigmaPixels: medianOf((star) => shortSigma(star, profile.fwhmPerSigma)),
    eccentricity: elongation === null ? NaN : eccentricityOf(elongation.chi),
    elongationDegrees: ((Math.atan2(e2, e1) * 90 / Math.PI) + 180) % 180,
    meanShape: [e1, e2],
    alignment: elongation?.alignment ?? 0,
    halfFluxRadiusPixels: medianOf((star) => star.halfFluxRadiusPixels),
  };
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
  const { width, height } = sampling;
  const search = searchFrame(sampling, image, facts, used);
  const found = starsWithoutTrails(search);
  const { stars, clear, profile } = found;
  const measures = measureStars(sampling, found);
  const sky = maskedBackground(search.sampling, search, stars, found.fwhmPixels, profile.moffat.beta);
  const gradient = skyGradient(search.mesh);
  const shares = sampleShares(sampling, search);
  const scale = image.geometry.arcsecPerPixel ?? facts.arcsecPerPixel ?? null;
  const listed = stars.slice(0, used.listedStars);
  closeSearch(search, sampling);
  return {
    channel: sampling.channel,
    width,
    height,
    starCount: stars.length,
    stars: listed,
    fwhmPixels: measures.fwhmPixels,
    fwhmArcsec: scale === null || !(measures.fwhmPixels > 0) ? null : measures.fwhmPixels * scale,
    moffatBeta: stars.length === 0 ? NaN : profile.moffat.beta,
    shortSigmaPixels: measures.shortSigmaPixels,
    eccentricity: measures.eccentricity,
    elongationDegrees: measures.elongationDegrees,
    meanShape: measures.meanShape,
    alignment: measures.alignment,
    halfFluxRadiusPixels: measures.halfFluxRadiusPixels,
    background: sky.level,
    gradient: gradient.range,
    gradientDegrees: gradient.degrees,
    noise: sky.noise,
    rowBanding: search.rowBanding,
    columnBanding: search.columnBanding,
    saturatedShare: shares.saturated,
    constantShare: shares.constant,
    missingShare: shares.missing,
    centralLevel: stars.length === 0 ? NaN : centralLevel(profile),
    haloShare: haloShare(sampling, clear, found.fwhmPixels),
    doubling: findDoubling(stars, sampling, found.fwhmPixels) ?? findCloseDoubling(sampling, stars, found.fwhmPixels),
    trails: found.trails,
    fieldMap: mapField(clear, width, height),
    starFlux: listed.slice(0, Math.ceil(listed.length / 2)).reduce((sum, star) => sum + star.flux, 0),
    turnedDown: search.turnedDown,
  };
}
