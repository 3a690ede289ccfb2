/** Frames of a night that can be compared, and what the better half of them shows. */
import type { FrameRecord } from "../core/frame_record.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";
import { median, quantile } from "../stats/median.ts";
import { type AirGlow, fitAirGlow } from "./air_glow.ts";
import { shapeOfEccentricity } from "./axis_ratio.ts";
import { cornerTrail, frameRotation } from "./frame_rotation.ts";
import type { NightRow } from "./night_row.ts";
import { measureTransparency, type Transparency } from "./transparency.ts";

/** Level that the better half of the frames has, and their scatter about it. */
export interface TypicalValue {
  /** The level. */
  readonly level: number;
  /** Standard deviation about it. */
  readonly scatter: number;
}

/** Frames of one rig, filter, exposure, gain and size, with what is usual among them. */
export interface NightGroup {
  /** The frames. */
  readonly rows: readonly NightRow[];
  /** Their places in the night. */
  readonly index: readonly number[];
  /** Transparency of each. */
  readonly transparency: readonly Transparency[];
  /** FWHM, pixels. */
  readonly width: TypicalValue;
  /** Standard deviation of the matched Gaussian along the short axis, pixels. */
  readonly short: TypicalValue;
  /** Modulus of the spin-2 shape. */
  readonly shape: TypicalValue;
  /** Noise of a pixel of sky. */
  readonly noise: TypicalValue;
  /** Level of the sky. */
  readonly background: TypicalValue;
  /** Share of a star's flux in its halo. */
  readonly halo: TypicalValue;
  /** Median exponent of the Moffat profile. */
  readonly beta: number;
  /** Stars of a frame: the 0.7 quantile, so that frames which have lost most do not count. */
  readonly starCount: number;
  /** Median tilt, counting only significant ones. */
  readonly tilt: number;
  /** Median curvature, counting only significant ones. */
  readonly curvature: number;
  /** Median trail of field rotation in a corner, over the FWHM. */
  readonly rotation: number;
  /** Median FWHM over the standard deviation of a star's matched Gaussian. */
  readonly widthPerSigma: number;
  /** Share of the frames with stars that could be matched to one of them. */
  readonly matchedShare: number;
  /** Median share of a frame's area that the compared frame shows too. */
  readonly overlap: number;
  /** Sky that air alone gives at an airmass. */
  readonly airGlow: AirGlow;
  /** Median airmass of the half with the narrower stars; NaN where none is known. */
  readonly airmass: number;
}

/** Stars from which on a frame's figures count among those of its group, and a match is expected. */
export const minimumMatchStars = 12;

/** Standard errors from which on a tilt or a curvature counts. */
const minimumFieldSignificance = 3;

/**
 * For normal values the median lies 0.6745 standard deviations above the lower quartile. The level meant is that of
 * the good frames, half-way between the two; the better half is the lower one of a quantity that only faults increase.
 */
function lowerHalf(values: readonly number[]): TypicalValue {
  const known = values.filter((each) => Number.isFinite(each));
  if (known.length === 0) return { level: NaN, scatter: NaN };
  const quartile = quantile(known, 0.25);
  const half = quantile(known, 0.5);
  return { level: (quartile + half) / 2, scatter: Math.max((half - quartile) / 0.6745, 1e-9 * Math.abs(quartile)) };
}

/** FWHM over the standard deviation of the matched Gaussian, from the two widths that a measurement tells. */
export function widthPerSigma(quality: FrameQuality): number {
  const shape = Math.min(0.999, Math.hypot(quality.meanShape[0], quality.meanShape[1]));
  return quality.fwhmPixels / quality.shortSigmaPixels * Math.pow((1 - shape) / (1 + shape), 0.25);
}

/** Lights with the same key are compared with one another. */
export function groupKey(record: FrameRecord): string {
  const exposure = record.exposureSeconds === null ? null : Number(record.exposureSeconds.toPrecision(3));
  return JSON.stringify([
    record.rig,
    record.filter,
    exposure,
    record.gainSetting,
    record.binning,
    record.width,
    record.height,
  ]);
}

/**
 * Levels of the sky of the frames with stars; where a dark was wrong the sky lies below none, and is left out if
 * others are right.
 */
function skyLevels(rows: readonly NightRow[]): number[] {
  const starry = rows.flatMap(({ quality, darkLevel }) =>
    quality !== null && quality.starCount > 0 ? [{ sky: quality.background, dark: darkLevel ?? -Infinity }] : []
  );
  const right = starry.filter(({ sky, dark }) => sky >= dark);
  return (right.length > 0 ? right : starry).map(({ sky }) => sky);
}

/** Transparency of each row of a group. */
const transparencyOf = (rows: readonly NightRow[]): Transparency[] =>
  measureTransparency(rows.map((row) => ({
    stars: row.quality?.stars ?? [],
    width: row.quality?.width ?? row.record.width,
    height: row.quality?.height ?? row.record.height,
    fluxRatio: row.fluxRatio,
    airmass: row.record.airmass,
  })));

/** Share of the frames with stars whose stars were matched to those of the compared frame. */
function matchedShareOf(rows: readonly NightRow[], transparency: readonly Transparency[]): number {
  const starry = rows.map((row) => (row.quality?.starCount ?? 0) >= minimumMatchStars);
  const count = starry.filter(Boolean).length;
  return count === 0 ? 0 : starry.filter((each, i) => each && transparency[i].found.length > 0).length / count;
}

/** Median airmass of the half of the frames with the narrower stars. */
function sharpAirmass(rows: readonly NightRow[]): number {
  const widths = rows.map(({ quality }) => quality?.fwhmPixels ?? NaN);
  const limit = median(widths.filter(Number.isFinite));
  return median(
    rows.flatMap(({ record: { airmass = null } }, i) => widths[i] <= limit && airmass !== null ? [airmass] : []),
  );
}

/** What is usual among the rows at the given places of the night. */
function measureGroup(night: readonly NightRow[], index: readonly number[]): NightGroup {
  const rows = index.map((i) => night[i]);
  const qualities = rows.map((row) => row.quality).filter((each) => each !== null);
  const starry = qualities.filter((quality) => quality.starCount >= minimumMatchStars);
  const counts = qualities.map((quality) => quality.starCount).filter((each) => each > 0);
  const transparency = transparencyOf(rows);
  const typical = (get: (quality: FrameQuality) => number) => lowerHalf(qualities.map(get));
  const medianOver = (get: (quality: FrameQuality) => number) => median(starry.map(get).filter(Number.isFinite));
  return {
    rows,
    index,
    transparency,
    width: typical((quality) => quality.fwhmPixels),
    short: typical((quality) => quality.shortSigmaPixels),
    shape: typical((quality) => shapeOfEccentricity(quality.eccentricity)),
    noise: typical((quality) => quality.starCount > 0 ? quality.noise : NaN),
    background: lowerHalf(skyLevels(rows)),
    halo: typical((quality) => quality.haloShare),
    beta: medianOver((quality) => quality.moffatBeta),
    starCount: counts.length === 0 ? 0 : quantile(counts, 0.7),
    tilt: medianOver(({ fieldMap }) => fieldMap.tiltSignificance > minimumFieldSignificance ? fieldMap.tilt : 0),
    curvature: medianOver(({ fieldMap }) =>
      fieldMap.curvatureSignificance > minimumFieldSignificance ? fieldMap.curvature : 0
    ),
    rotation: medianOver((quality) => cornerTrail(quality, frameRotation(quality)) / quality.fwhmPixels),
    widthPerSigma: medianOver(widthPerSigma),
    matchedShare: matchedShareOf(rows, transparency),
    overlap: median(transparency.map((each) => each.overlap)),
    airGlow: fitAirGlow(rows),
    airmass: sharpAirmass(rows),
  };
}

/** The groups of a night, in order of first appearance. */
export function groupNight(rows: readonly NightRow[]): NightGroup[] {
  const places = new Map<string, number[]>();
  rows.forEach((row, i) => {
    const key = groupKey(row.record);
    const list = places.get(key);
    if (list === undefined) places.set(key, [i]);
    else list.push(i);
  });
  return [...places.values()].map((index) => measureGroup(rows, index));
}
