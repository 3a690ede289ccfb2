/** From the measurements of a night to a verdict on each frame: cause, evidence, remedy. */
import { fwhmPerSigma } from "../core/constants.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import type { FieldRotation } from "../measure/field_map.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";
import { madSigma } from "../stats/mad_sigma.ts";
import { median, quantile } from "../stats/median.ts";
import { robustLine } from "../stats/robust_fit.ts";
import { type Cause, remedies } from "./causes.ts";
import { measureTransparency, type StarFlux, type Transparency } from "./transparency.ts";

/** One light with what is known of it. */
export interface NightRow {
  /** The file and its facts. */
  readonly record: FrameRecord;
  /** Its measurement; null when it could not be read. */
  readonly quality: FrameQuality | null;
  /** Why it could not be read or measured; null or left out when it could. */
  readonly problem?: string | null;
  /** Digest of the file's data, to find copies; null or left out when not taken. */
  readonly digest?: string | null;
  /** Flux of its stars over that of the same stars in one reference frame, from registration, when known. */
  readonly fluxRatio?: number | null;
  /**
   * Level of a frame without light and of equal exposure, in the unit of the measurement: 0 for calibrated frames;
   * null when not known.
   */
  readonly darkLevel?: number | null;
  /** What is wrong with its calibration; null or left out when nothing is. */
  readonly calibrationProblem?: string | null;
}

/** Options of {@linkcode diagnoseNight}. */
export interface DiagnoseNightOptions {
  /** Stars wider than the night's best half by this factor are rejected. */
  readonly rejectWidth: number;
  /** Long over short axis from which on a frame is rejected. */
  readonly rejectAxisRatio: number;
  /** Transparency below which a frame is rejected. */
  readonly rejectTransparency: number;
  /**
   * Growth of the sky's noise, brought to one light (divided by the transparency), from which on a frame is rejected:
   * its share in a stack falls with the square.
   */
  readonly rejectNoise: number;
}

/**
 * What {@linkcode diagnoseNight} uses for an option left out. A frame with stars 1.3 times as wide has 0.6 of the
 * weight for point sources (1/FWHM²) and blurs what the others resolve; an axis ratio of 1.35 is seen as a line by
 * anyone; at a transparency of 0.6 a frame has 0.36 of a clear one's weight, and cloud that thick is never even; noise
 * of 1.6 times the night's leaves 0.39 of the weight too, and a frame that loses both light and quiet is judged by
 * what they leave together. Between these and what the night scatters by itself a frame is kept with less weight.
 */
export const diagnoseNightDefaults: DiagnoseNightOptions = Object.freeze({
  rejectWidth: 1.3,
  rejectAxisRatio: 1.35,
  rejectTransparency: 0.6,
  rejectNoise: 1.6,
});

/** What is to be done with a frame. */
export type Verdict = "keep" | "down-weight" | "reject";

/** The diagnosis of one frame. */
export interface FrameDiagnosis {
  /** Path of the file. */
  readonly file: string;
  /** What is to be done with it. */
  readonly verdict: Verdict;
  /** What happened, the gravest first; `clear sky` alone when nothing did. */
  readonly causes: readonly Cause[];
  /** The causes as one text; alternatives that the frame cannot tell apart are joined by "or". */
  readonly cause: string;
  /** The numbers the verdict rests on. */
  readonly evidence: string;
  /** What to do about it next time. */
  readonly remedy: string;
  /** Light of its stars over that of the night's clearest frames; NaN when it cannot be told. */
  readonly transparency: number;
  /** How sure the first cause is, 0 … 1: how far the numbers lie beyond the limit that decided. */
  readonly confidence: number;
}

/** Something that holds for a rig and a whole run, not for one frame. */
export interface NightFinding {
  /** Rig. */
  readonly rig: string;
  /** Filter. */
  readonly filter: string;
  /** What it is. */
  readonly cause: Cause;
  /** The numbers. */
  readonly evidence: string;
  /** What to do. */
  readonly remedy: string;
}

/** Result of {@linkcode diagnoseNight}. */
export interface NightDiagnosis {
  /** One entry a row, in the order given. */
  readonly frames: readonly FrameDiagnosis[];
  /** What the rigs have by themselves. */
  readonly findings: readonly NightFinding[];
}

const percent = (share: number): string => `${Math.round(share * 100)} %`;
const px = (value: number): string => `${(Math.round(value * 100) / 100).toFixed(2)} px`;
const adu = (value: number): string => String(Math.round(value * 10) / 10);

/** Level that the better half of the frames has, and their scatter about it. */
interface Typical {
  readonly level: number;
  readonly scatter: number;
}

/** The better half is the lower one of a quantity that only faults increase. */
function lowerHalf(values: readonly number[]): Typical {
  const known = values.filter((each) => Number.isFinite(each));
  if (known.length === 0) return { level: NaN, scatter: NaN };
  const level = quantile(known, 0.25);
  const half = quantile(known, 0.5);
  // For normal values the median lies 0.6745 sigma above the quartile; the level meant is the middle of the good ones.
  return { level: (level + half) / 2, scatter: Math.max((half - level) / 0.6745, 1e-9 * Math.abs(level)) };
}

/** Axis ratio from the modulus of the spin-2 shape. */
const axisRatio = (chi: number): number => Math.sqrt((1 + chi) / Math.max(1e-6, 1 - chi));
const chiOf = (eccentricity: number): number => {
  const e2 = eccentricity * eccentricity;
  return e2 / (2 - e2);
};

interface Group {
  readonly rows: readonly NightRow[];
  readonly index: readonly number[];
  readonly transparency: readonly Transparency[];
  readonly width: Typical;
  readonly short: Typical;
  readonly chi: Typical;
  readonly noise: Typical;
  readonly background: Typical;
  readonly halo: Typical;
  readonly beta: number;
  readonly starCount: number;
  readonly tilt: number;
  readonly curvature: number;
  readonly rotation: number;
  /** Median FWHM over the width of a star's matched Gaussian. */
  readonly widthPerSigma: number;
  /** Share of the starry frames that could be matched to one of them. */
  readonly matched: number;
  /** Median share of a frame's area that the compared frame shows too. */
  readonly overlap: number;
  /** Sky that air alone gives at an airmass, over that of the night's middle; 1 where that is not known. */
  readonly airGlow: (airmass: number | null | undefined) => number;
}

/**
 * Shape and width of the stars as a judge should see them: of stars of the field only, where much else was taken for
 * stars.
 */
interface Seen {
  readonly fwhm: number;
  readonly short: number;
  readonly chi: number;
  readonly degrees: number;
  readonly alignment: number;
  /** Directions of rows of lights that are no stars of the field. */
  readonly flashes: readonly number[];
  /** Whether these are not the frame's own figures. */
  readonly cleaned: boolean;
}

interface Finding {
  readonly cause: Cause;
  readonly verdict: Verdict;
  readonly evidence: string;
  /** How far beyond the limit; 1 is on it. */
  readonly strength: number;
  /** A cause the numbers would fit as well. */
  readonly or?: Cause;
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

function groupRows(rows: readonly NightRow[]): Group[] {
  const keys = new Map<string, number[]>();
  rows.forEach((row, i) => {
    const key = groupKey(row.record);
    const list = keys.get(key);
    if (list === undefined) keys.set(key, [i]);
    else list.push(i);
  });
  return [...keys.values()].map((index): Group => {
    const members = index.map((i) => rows[i]);
    const qualities = members.map((row) => row.quality).filter((each) => each !== null);
    const transparency = measureTransparency(members.map((row) => ({
      stars: row.quality?.stars ?? [],
      width: row.quality?.width ?? row.record.width,
      height: row.quality?.height ?? row.record.height,
      fluxRatio: row.fluxRatio,
      airmass: row.record.airmass,
    })));
    const of = (get: (quality: FrameQuality) => number) => qualities.map(get);
    const counts = of((q) => q.starCount).filter((each) => each > 0);
    const starry = qualities.filter((q) => q.starCount >= 12);
    const middle = (get: (quality: FrameQuality) => number) => {
      const known = starry.map(get).filter((each) => Number.isFinite(each));
      return known.length === 0 ? NaN : median(known);
    };
    return {
      rows: members,
      index,
      transparency,
      width: lowerHalf(of((q) => q.fwhmPixels)),
      short: lowerHalf(of((q) => q.shortSigmaPixels)),
      chi: lowerHalf(of((q) => chiOf(q.eccentricity))),
      noise: lowerHalf(of((q) => q.starCount > 0 ? q.noise : NaN)),
      background: lowerHalf(skiesOf(members)),
      halo: lowerHalf(of((q) => q.haloShare)),
      beta: middle((q) => q.moffatBeta),
      starCount: counts.length === 0 ? 0 : quantile(counts, 0.7),
      tilt: middle((q) => q.fieldMap.tiltSignificance > 3 ? q.fieldMap.tilt : 0),
      curvature: middle((q) => q.fieldMap.curvatureSignificance > 3 ? q.fieldMap.curvature : 0),
      rotation: middle((q) => cornerTrail(q, rotationOf(q)) / q.fwhmPixels),
      widthPerSigma: middle(widthPerSigma),
      matched: starry.length === 0
        ? 0
        : members.filter((row, k) => (row.quality?.starCount ?? 0) >= 12 && transparency[k].found.length > 0).length /
          starry.length,
      overlap: middleOf(transparency.map((each) => each.overlap)),
      airGlow: fitAirGlow(members),
    };
  });
}

/**
 * Levels of the sky of the frames with stars; where a dark was wrong the sky lies below none, and is left out if
 * others are right.
 */
function skiesOf(rows: readonly NightRow[]): number[] {
  const starry = rows.flatMap(({ quality, darkLevel }) =>
    quality !== null && quality.starCount > 0 ? [{ sky: quality.background, dark: darkLevel ?? -Infinity }] : []
  );
  const right = starry.filter(({ sky, dark }) => sky >= dark);
  return (right.length > 0 ? right : starry).map(({ sky }) => sky);
}

/**
 * Growth of the sky with airmass, ln(sky) = a + s X, robust over the frames with stars. Kept between 0 and 0.6 a unit
 * of airmass, so that a moon that rises while the target sets does not pass for air: the layer that glows is 1.4 times
 * as deep at 45° than overhead, a town's light grows faster.
 */
function fitAirGlow(rows: readonly NightRow[]): Group["airGlow"] {
  const xs: number[] = [];
  const skies: number[] = [];
  for (const { record, quality, darkLevel } of rows) {
    const sky = (quality?.background ?? NaN) - (darkLevel ?? NaN);
    const air = record.airmass ?? NaN;
    if (!(sky > 0 && air >= 1 && (quality?.starCount ?? 0) >= 12)) continue;
    xs.push(air);
    skies.push(Math.log(sky));
  }
  if (xs.length < 8 || Math.max(...xs) - Math.min(...xs) < 0.15) return () => 1;
  const slope = Math.min(0.6, Math.max(0, robustLine(xs, skies).slope));
  const middle = median(xs);
  return (airmass) => slope > 0 && (airmass ?? 0) >= 1 ? Math.exp(slope * ((airmass ?? middle) - middle)) : 1;
}

/** FWHM over the width of the matched Gaussian, from the two widths that a measurement tells. */
function widthPerSigma(q: FrameQuality): number {
  const chi = Math.min(0.999, Math.hypot(q.meanShape[0], q.meanShape[1]));
  return q.fwhmPixels / q.shortSigmaPixels * Math.pow((1 - chi) / (1 + chi), 0.25);
}

const middleOf = (values: readonly number[]): number => {
  const known = values.filter((each) => Number.isFinite(each));
  return known.length === 0 ? NaN : median(known);
};

/** Of the brightest lights, the share that must be stars of the field for the frame's own figures to hold. */
const mostStrangers = 0.3;

/**
 * Whether the mean elongation exceeds what the scatter from star to star lets expect of round ones, four times over.
 */
function shapeIsSure(q: FrameQuality): boolean {
  const stars = q.stars.filter((star) => !star.saturated && star.snr >= 12);
  if (stars.length < 3) return false;
  // Directions that differ over the field are no mean: the scatter itself is the elongation then.
  if (q.alignment < 0.6) return true;
  const spread = Math.hypot(
    madSigma(stars.map((star) => star.shape[0] - q.meanShape[0]), 0),
    madSigma(stars.map((star) => star.shape[1] - q.meanShape[1]), 0),
  ) / Math.SQRT2;
  return Math.hypot(q.meanShape[0], q.meanShape[1]) > 4 * 1.2533 * spread / Math.sqrt(stars.length);
}

/** Expected number of rows that chance makes among as many lights, above which none is believed. */
const falseRows = 1e-3;

/** A row is sought among so many of the brightest lights, one after the other. */
const triedCounts = [20, 40, 80] as const;

/**
 * Direction of a row of lights: a line through two of them that passes within 1.5 pixels of more others than chance
 * allows. Lights that are no stars of the field lie anywhere, but those of one aircraft on a line.
 */
function rowOfLights(lights: readonly Star[], width: number, height: number): number | null {
  const n = lights.length;
  const chance = (n - 2) * 3 / Math.min(width, height);
  if (n < 5) return null;
  let most = 0;
  let degrees = 0;
  for (let i = 0; i < n; i++) {
    for (let j = i + 1; j < n; j++) {
      const dx = lights[j].x - lights[i].x;
      const dy = lights[j].y - lights[i].y;
      const length = Math.hypot(dx, dy);
      if (length < 0.15 * Math.min(width, height)) continue;
      let others = -2;
      for (const { x, y } of lights) {
        if (Math.abs((x - lights[i].x) * dy - (y - lights[i].y) * dx) < 1.5 * length) others++;
      }
      if (others > most) {
        most = others;
        degrees = (Math.atan2(dy, dx) * 180 / Math.PI + 180) % 180;
      }
    }
  }
  // Poisson tail, first term and the geometric bound of the rest.
  let term = Math.exp(-chance);
  for (let k = 1; k <= most; k++) term *= chance / k;
  const tail = term / Math.max(0.1, 1 - chance / (most + 1));
  return most >= 3 && n * (n - 1) / 2 * tail < falseRows / triedCounts.length ? degrees : null;
}

/**
 * Whether two images of every star are told from one long trail. Images apart make each star longer by no more than
 * their distance explains: variance r/(1 + r)² d² with r the fainter over the brighter.
 */
function isDouble(q: FrameQuality, night: Group): boolean {
  if (q.doubling === null) return false;
  const { dx, dy, ratio } = q.doubling;
  const apart = (dx * dx + dy * dy) * ratio / (1 + ratio) ** 2;
  // Far from each other either image is as narrow as stars ever are: wide ones are pieces of rings far out of focus.
  if (Math.hypot(dx, dy) > q.fwhmPixels && q.fwhmPixels > 2 * night.width.level) return false;
  return axisRatio(chiOf(q.eccentricity)) < 1.15 * Math.sqrt(1 + apart / night.short.level ** 2);
}

/**
 * The frame's figures, or, where many of its brighter lights are no stars of the field (flashes and pieces of an
 * aircraft's trail), the medians of those that are.
 */
function seenStars(q: FrameQuality, { found }: Transparency, night: Group): Seen {
  const own: Seen = {
    fwhm: q.fwhmPixels,
    short: q.shortSigmaPixels,
    chi: chiOf(q.eccentricity),
    degrees: q.elongationDegrees,
    alignment: q.alignment,
    flashes: [],
    cleaned: false,
  };
  if (found.length < 8 || q.doubling !== null) return own;
  const known = new Set(found);
  const bright = q.stars.slice(0, Math.min(60, Math.max(20, found.length)));
  const strangers = bright.filter((_, i) => !known.has(i)).length / bright.length;
  // A border cuts stars through and lines up what is left of them.
  const margin = 4 * q.fwhmPixels;
  const strange = q.stars.filter(({ x, y }, i) =>
    !known.has(i) && Math.min(x, y, q.width - 1 - x, q.height - 1 - y) > margin
  );
  // An aircraft's lamps are alike and bright: faint lights that no other frame shows only make rows by chance.
  const direction = triedCounts.map((n) => rowOfLights(strange.slice(0, n), q.width, q.height))
    .find((each) => each !== null) ?? null;
  // A bright trail alone spoils the mean profile that widths stand on.
  if (strangers < mostStrangers && direction === null && q.trails.length === 0) return own;
  const stars = found.map((i) => q.stars[i]).filter((star) => !star.saturated);
  const clear = stars.filter((star) => star.snr >= 20);
  const chosen = clear.length >= 8 ? clear : stars;
  const of = (get: (star: Star) => number) => median(chosen.map(get));
  const e1 = of((star) => star.shape[0]);
  const e2 = of((star) => star.shape[1]);
  const chi = Math.min(0.99, Math.hypot(e1, e2));
  const spread = of((star) => Math.hypot(star.shape[0] - e1, star.shape[1] - e2));
  const squeeze = (x: number) => Math.pow((1 - x) / (1 + x), 0.25);
  // Widths stand on the profile of the frame's brightest lights: use the night's instead.
  const sigma = of((star) => star.fwhmPixels) / widthPerSigma(q);
  return {
    fwhm: sigma * night.widthPerSigma,
    short: sigma * squeeze(chi),
    chi,
    degrees: (Math.atan2(e2, e1) * 90 / Math.PI + 180) % 180,
    alignment: chi / Math.max(1e-9, Math.hypot(chi, spread)),
    flashes: direction === null ? [] : [direction],
    cleaned: true,
  };
}

/** A side of the frame that is dark while the other is as bright as ever. */
interface HiddenPart {
  /** Middle light of the stars on the dark side, and on the other. */
  readonly dark: number;
  readonly bright: number;
  /** Light of the whole frame over that of an open one, by area. */
  readonly light: number;
  /** Direction of the dark side, from +x towards +y, 0 … 360. */
  readonly degrees: number;
}

/**
 * Twice the gain in log likelihood of two sides over one from which on a hidden side is believed: chi-square of one
 * degree of freedom, exceeded by chance once in 130 000 times, while of one frame's some thousand lines a hundred are
 * independent at most.
 */
const sureSides = 20;

/**
 * A strip along a border narrower than this share of the frame is no part of the field: a few stars there are missed
 * for other reasons.
 */
const leastHidden = 0.12;

/**
 * Look for the straight line that parts dim stars (below 0.6 of the brighter ones' light, or missing) from bright ones
 * best, by the likelihood of two shares over one (Wilks 1938). A few stars suffice, if all on one side are dim.
 */
function hiddenPart(lights: readonly StarFlux[], width: number, height: number): HiddenPart | null {
  const n = lights.length;
  if (n < 12) return null;
  const term = (k: number, of: number) =>
    (k > 0 ? k * Math.log(k / of) : 0) + (k < of ? (of - k) * Math.log(1 - k / of) : 0);
  let best: HiddenPart | null = null;
  let most = sureSides;
  for (let step = 0; step < 24; step++) {
    const c = Math.cos(step * Math.PI / 12);
    const s = Math.sin(step * Math.PI / 12);
    const sorted = lights.map(({ x, y, light }) => ({ t: x * c + y * s, light })).sort((a, b) => b.t - a.t);
    for (let dark = 3; dark <= n - 6; dark++) {
      const far = sorted.slice(0, dark);
      const near = sorted.slice(dark);
      const bright = median(near.map((each) => each.light));
      if (!(bright > 0.85)) continue;
      const isDim = (each: { readonly light: number }) => each.light < 0.6 * bright;
      const a = far.filter(isDim).length;
      const b = near.filter(isDim).length;
      if (a < 0.7 * dark || b > 0.2 * (n - dark)) continue;
      const gain = 2 * (term(a, dark) + term(b, n - dark) - term(a + b, n));
      if (gain <= most) continue;
      const border = (sorted[dark - 1].t + sorted[dark].t) / 2;
      const left = median(far.map((each) => each.light));
      let hidden = 0;
      for (let i = 0; i < 256; i++) {
        if ((i % 16 + 0.5) / 16 * width * c + (Math.floor(i / 16) + 0.5) / 16 * height * s > border) hidden++;
      }
      if (hidden < leastHidden * 256) continue;
      most = gain;
      best = { dark: left, bright, light: 1 - hidden / 256 * (1 - left / bright), degrees: step * 15 };
    }
  }
  return best;
}

/** Filters wide enough for air to disperse their light, with the wavelengths they pass, nanometres. */
const broadFilters: Readonly<Record<string, readonly [number, number]>> = Object.freeze({
  L: [400, 690],
  R: [580, 680],
  G: [490, 580],
  B: [410, 510],
});

/**
 * Length of the spectrum that air draws of a star, arcseconds: (n₁ − n₂) tan z with the refractivity of dry air at sea
 * level (Edlén 1966, Metrologia 2, 71); 0 for a narrow filter or an unknown altitude.
 */
function dispersionArcsec(filter: string, airmass: number | null | undefined): number {
  const band = broadFilters[filter];
  if (band === undefined || !(typeof airmass === "number" && airmass > 1)) return 0;
  const index = (nanometres: number) => {
    const k = (1000 / nanometres) ** 2;
    return 1e-8 * (8342.13 + 2406030 / (130 - k) + 15997 / (38.9 - k));
  };
  return (index(band[0]) - index(band[1])) * Math.sqrt(airmass * airmass - 1) * 180 / Math.PI * 3600;
}

/** Significance from which on the rotation that the field map fits is believed. */
const sureRotation = 5;

/** Mean tangential shape from which on stars are seen to run round a centre: an axis ratio of 1.2. */
const leastTangential = 0.18;

/**
 * Rotation as the stars' directions alone show it, for trails so long that shapes no longer grow with the square of
 * the distance, as the fit of the field map takes them to: the centre, of a grid over the frame, round which stars lie
 * along the tangent most. Believed where they do so twice as much as they stray from it. The angle is the middle of
 * what each star away from the centre tells.
 */
function tangentialRotation({ stars, width, height }: FrameQuality): FieldRotation | null {
  const shaped = stars.filter((star) => !star.saturated && star.snr >= 12).slice(0, 150);
  const n = shaped.length;
  if (n < 12) return null;
  const steps = 9;
  const away = 0.12 * Math.hypot(width, height);
  let best: { x: number; y: number; along: number; stray: number } | null = null;
  for (let r = 0; r < steps; r++) {
    for (let c = 0; c < steps; c++) {
      const x = (c + 0.5) / steps * width;
      const y = (r + 0.5) / steps * height;
      let along = 0;
      let stray = 0;
      for (const { x: sx, y: sy, shape } of shaped) {
        const dx = sx - x;
        const dy = sy - y;
        const d2 = Math.max(1e-9, dx * dx + dy * dy);
        const cosine = (dx * dx - dy * dy) / d2;
        const sine = 2 * dx * dy / d2;
        along -= shape[0] * cosine + shape[1] * sine;
        stray += (shape[1] * cosine - shape[0] * sine) ** 2;
      }
      if (best === null || along > n * best.along) best = { x, y, along: along / n, stray: Math.sqrt(stray / n) };
    }
  }
  if (best === null || !(best.along > leastTangential && best.along > 2 * best.stray)) return null;
  const { x, y, along, stray } = best;
  const angles: number[] = [];
  for (const star of shaped) {
    const dx = star.x - x;
    const dy = star.y - y;
    const distance = Math.hypot(dx, dy);
    if (distance < away) continue;
    const chi2 = Math.min(0.999, star.shape[0] ** 2 + star.shape[1] ** 2);
    const tangential = -(star.shape[0] * (dx * dx - dy * dy) + star.shape[1] * 2 * dx * dy) / distance ** 2;
    const variance = 2 * tangential * (star.fwhmPixels / fwhmPerSigma) ** 2 / Math.sqrt(1 - chi2);
    angles.push(Math.sqrt(12 * Math.max(0, variance)) / distance * 180 / Math.PI);
  }
  if (angles.length < 8) return null;
  return { degrees: median(angles), centre: { x, y }, significance: along / stray * Math.sqrt(n) };
}

/** Rotation of the field in a frame, if there is one. */
function rotationOf(quality: FrameQuality): FieldRotation | null {
  const { rotation } = quality.fieldMap;
  return rotation !== null && rotation.significance >= sureRotation ? rotation : tangentialRotation(quality);
}

/**
 * Length of the trail that field rotation leaves in the farthest corner from its centre, pixels; 0 without rotation.
 */
function cornerTrail({ width: w, height: h }: FrameQuality, rotation: FieldRotation | null): number {
  if (rotation === null) return 0;
  const { x, y } = rotation.centre;
  const far = Math.max(Math.hypot(x, y), Math.hypot(w - x, y), Math.hypot(x, h - y), Math.hypot(w - x, h - y));
  return far * rotation.degrees * Math.PI / 180;
}

/**
 * Depth of the sky below a frame without light, in units of the noise of a pixel, from which on the dark is wrong: the
 * level of the sky is known to a few hundredths of that noise.
 */
const noSkyBelow = 0.3;

/** Everything one frame shows. */
function look(row: NightRow, transparency: Transparency, group: Group, options: DiagnoseNightOptions): Finding[] {
  const found: Finding[] = [];
  if (row.problem || row.quality === null) {
    return [{
      cause: "corrupt file",
      verdict: "reject",
      evidence: row.problem ?? "could not be measured",
      strength: 9,
    }];
  }
  const q = row.quality;
  const night = group;
  // What the sky gains towards the horizon is the air's; noise follows as its root.
  const airGlow = night.airGlow(row.record.airmass);
  const noiseRatio = q.noise / night.noise.level / Math.sqrt(airGlow);
  const dark = row.darkLevel ?? null;
  const skyRatio = dark === null
    ? NaN
    : (q.background - dark) / Math.max(1e-9, night.background.level - dark) / airGlow;
  const sky = Number.isFinite(skyRatio)
    ? `sky ${adu(skyRatio)} times the night's`
    : `background ${adu(q.background)}, night ${adu(night.background.level)}`;
  const lost = q.constantShare + q.missingShare;
  if (lost > 0.02) {
    found.push({
      cause: "corrupt file",
      verdict: lost > 0.1 ? "reject" : "down-weight",
      evidence: `${percent(lost)} of the frame is missing or one constant value`,
      strength: lost / 0.02,
    });
    // What the rest shows is not of the sky.
    if (lost > 0.1) return found;
  }
  // No sky is darker than none: what was taken off did not belong to this light.
  const below = (dark ?? -Infinity) - q.background;
  if (row.calibrationProblem) {
    found.push({ cause: "wrong calibration", verdict: "down-weight", evidence: row.calibrationProblem, strength: 2 });
  } else if (below > noSkyBelow * q.noise) {
    found.push({
      cause: "wrong calibration",
      verdict: "down-weight",
      evidence: `the sky lies ${adu(below)} below a frame without light (noise ${adu(q.noise)})`,
      strength: below / (noSkyBelow * q.noise),
    });
  }

  // 1. Hardly any stars.
  const atDark = dark !== null &&
    q.background - dark < Math.max(0.3 * q.noise, 0.1 * (night.background.level - dark));
  // Without light the sensor's own glow and hot clusters may pass for a few stars.
  const few = q.starCount < Math.max(3, (atDark && noiseRatio < 1 ? 0.3 : 0.05) * night.starCount);
  if (few) {
    const stars = `${q.starCount} stars, night ${Math.round(night.starCount)}`;
    if (night.starCount < 3) {
      found.push({
        cause: "cloud",
        or: "lens cap or shutter closed",
        verdict: "reject",
        evidence: `${stars}; no frame of this filter shows stars to compare with`,
        strength: 1.2,
      });
    } else if (atDark || (!(dark !== null) && noiseRatio < 0.9 && q.background < night.background.level)) {
      found.push({
        cause: "lens cap or shutter closed",
        verdict: "reject",
        evidence: `${stars}; ${sky}, noise ${percent(noiseRatio)} of the night's: as dark as without light`,
        strength: 3,
      });
    } else if (noiseRatio > 2.2 || skyRatio > 5) {
      found.push({
        cause: "twilight",
        or: "cloud",
        verdict: "reject",
        evidence: `${stars}; ${sky}, noise ${percent(noiseRatio)} of the night's`,
        strength: 2,
      });
    } else {
      found.push({
        cause: "cloud",
        verdict: "reject",
        evidence: `${stars}; ${sky}, noise ${percent(noiseRatio)} of the night's`,
        strength: 2,
      });
    }
    return found;
  }

  // 2. Place.
  const seen = seenStars(q, transparency, night);
  const ratio = axisRatio(seen.chi);
  const wide = seen.fwhm / night.width.level;
  const strangers = q.stars.filter((star) => !star.saturated && star.snr >= 8).length;
  if (
    transparency.found.length === 0 && night.matched > 0.6 && strangers >= 15 && wide < 2 && q.doubling === null &&
    ratio < 2
  ) {
    found.push({
      cause: "off target",
      verdict: "reject",
      evidence: `none of ${strangers} stars is one that the other frames show`,
      strength: 3,
    });
    return found;
  }
  if (transparency.overlap < 0.75 * night.overlap) {
    found.push({
      cause: "off target",
      verdict: transparency.overlap < 0.5 * night.overlap ? "reject" : "down-weight",
      evidence: `shows ${percent(transparency.overlap)} of the field of the others (night ${percent(night.overlap)})`,
      strength: 0.75 * night.overlap / Math.max(0.05, transparency.overlap),
    });
  }

  // 3. Light.
  if (q.saturatedShare > 0.005) {
    found.push({
      cause: "overexposed",
      verdict: q.saturatedShare > 0.2 ? "reject" : "down-weight",
      evidence: `${(q.saturatedShare * 100).toFixed(1)} % of the pixels at full scale`,
      strength: q.saturatedShare / 0.005,
    });
  }
  const rotation = rotationOf(q);
  const trail = cornerTrail(q, rotation);
  const rotated = trail > Math.max(0.7 * night.width.level, 1.5 * night.rotation * night.width.level);
  const double = isDouble(q, night) ? q.doubling : null;
  // The brighter image alone is found among the stars of the other frames.
  const parted = double !== null && Math.hypot(double.dx, double.dy) > 2 * night.width.level;
  const t = transparency.cleared * (parted ? 1 + (double?.ratio ?? 0) : 1);
  const broad = seen.short / night.short.level;
  const haloGrowth = q.haloShare - night.halo.level;
  // Where widths change over the field it is they that make stars pass for faint, or for none, on one side.
  const hidden = wide < 1.8 && ratio < 1.8 && !rotated && !isTilted(q, night)
    ? hiddenPart(transparency.lights, q.width, q.height)
    : null;
  const ring = q.centralLevel < 0.8;
  // Few faint stars tell little: what is missing must exceed what they scatter by.
  const dim = t < 0.85 && hidden === null && !(1 - t < 4 * transparency.error * t);
  // What it adds to a stack: signal over noise, squared, over that of a clear frame.
  const signal = t > 0 ? Math.min(1, t) : 1;
  const worth = (signal / noiseRatio) ** 2;
  const leastWorth = options.rejectNoise ** -2;
  // How the width grew apart from a trail: along its short axis.
  const round = ratio < 1.25 && double === null;
  const grown = round ? wide : broad;
  if (hidden !== null) {
    found.push({
      cause: "part of the field hidden",
      verdict: hidden.light < 0.9 ? "reject" : "down-weight",
      evidence: `stars towards ${Math.round(hidden.degrees)}° have ${
        percent(hidden.dark)
      } of their light, those opposite ${percent(hidden.bright)}`,
      strength: 0.85 / Math.max(0.1, hidden.dark),
    });
  }
  if (dim) {
    // Cloud takes light and leaves the stars their width; drops on glass scatter it. Neither makes a ring, or stars
    // twice as wide.
    const halo = round && haloGrowth > Math.max(0.05, 4 * night.halo.scatter);
    const dewy = !ring && grown < 2.1 && double === null &&
      ((halo && grown > 1.12) ||
        (grown > 1.17 && grown * night.width.level > night.width.level + 3 * night.width.scatter));
    const numbers = `transparency ${percent(t)} (${transparency.stars} ${transparency.method} stars), ${sky}`;
    found.push({
      cause: dewy ? "dew or haze" : "cloud",
      verdict: t < options.rejectTransparency || worth < leastWorth ? "reject" : "down-weight",
      evidence: dewy
        ? `${numbers}, ${
          halo ? `${percent(q.haloShare)} of the light in halos (night ${percent(night.halo.level)}), ` : ""
        }FWHM ${px(seen.fwhm)} (night ${px(night.width.level)})`
        : `${numbers}${noiseRatio > 1.05 ? ": lit from below" : ""}`,
      strength: 0.85 / Math.max(0.05, t),
    });
  } else if ((noiseRatio > 1.35 || skyRatio > 2) && q.background > night.background.level) {
    const bright = noiseRatio > 1.7 || skyRatio > 3;
    found.push({
      cause: bright ? "twilight" : "moonlight",
      or: bright ? "moonlight" : "twilight",
      verdict: worth < leastWorth ? "reject" : "down-weight",
      evidence: `${sky}, noise ${percent(noiseRatio)} of the night's, stars as bright as ever (transparency ${
        percent(t)
      }): worth ${percent(worth)} of a clear frame`,
      strength: noiseRatio / 1.35,
    });
  }

  // 4. Shape.
  const chi = seen.chi;
  const usual = axisRatio(night.chi.level);
  const longEnough = chi > Math.max(0.16, night.chi.level + 4 * night.chi.scatter, 1.4 * night.chi.level);
  const elongated = longEnough && ratio > 1.12 && shapeIsSure(q);
  const shapes: Finding[] = [];
  if (double !== null) {
    const d = double;
    const length = Math.hypot(d.dx, d.dy);
    shapes.push({
      cause: "guiding jump",
      // A gust that strikes once leaves a faint second image too, and shakes what stands still.
      or: d.ratio < 0.3 || broad > 1.25 ? "wind shake" : undefined,
      verdict: "reject",
      evidence: `${percent(d.share)} of the stars are double, ${px(length)} apart, the fainter with ${
        percent(d.ratio)
      } of the light`,
      strength: 3,
    });
  } else if (rotated && rotation !== null) {
    const r = rotation;
    shapes.push({
      cause: "field rotation",
      verdict: trail > 1.5 * q.fwhmPixels ? "reject" : "down-weight",
      evidence: `stars trail round (${Math.round(r.centre.x)}, ${Math.round(r.centre.y)}) by ${
        r.degrees.toFixed(3)
      }°, ${px(trail)} in the corner`,
      strength: trail / (0.7 * night.width.level),
    });
  } else if (elongated) {
    const both = `axis ratio ${ratio.toFixed(2)} (night ${usual.toFixed(2)}) along ${Math.round(seen.degrees)}°`;
    const verdict: Verdict = ratio > options.rejectAxisRatio || wide > options.rejectWidth ? "reject" : "down-weight";
    if (seen.alignment > 0.6) {
      // Variance along less variance across is that of a line of this length, over the square root of 12.
      const spectrum = dispersionArcsec(row.record.bayer === null ? row.record.filter : "G", row.record.airmass) /
        (row.record.arcsecPerPixel ?? NaN);
      const line = Math.sqrt(12 * seen.short ** 2 * (ratio ** 2 - 1));
      // A drift adds along its direction only, gusts to all sides: what was added across over what was added along.
      const across = Math.max(0, broad * broad - 1);
      const along = broad * broad * ratio * ratio - 1;
      const flatness = Math.sqrt(across / Math.max(1e-6, along));
      const windy = flatness > 0.33;
      if (spectrum > 0.5 * line && spectrum < 2.5 * line) {
        shapes.push({
          cause: "atmospheric dispersion",
          or: "drift trailing",
          verdict: ratio > options.rejectAxisRatio ? "reject" : "down-weight",
          evidence: `${both}, the same everywhere; at airmass ${
            row.record.airmass?.toFixed(1)
          } air alone draws stars out by ${px(spectrum)}, seen ${px(line)}`,
          strength: ratio / Math.max(1.12, usual),
        });
      } else {
        shapes.push({
          cause: windy ? "wind shake" : "drift trailing",
          or: flatness > 0.22 && flatness < 0.45 ? (windy ? "drift trailing" : "wind shake") : undefined,
          verdict,
          evidence: `${both}, the same everywhere; across it stars are ${percent(broad)} of the night's width`,
          strength: ratio / Math.max(1.12, usual),
        });
      }
    } else if (q.fieldMap.tiltSignificance > 5 && q.fieldMap.tilt > 0.25) {
      shapes.push(tiltFinding(q));
    } else {
      shapes.push({
        cause: "curved field",
        or: "tilt",
        verdict: "down-weight",
        evidence: `${both.replace(/ along.*/, "")}, in different directions over the field`,
        strength: ratio / Math.max(1.12, usual),
      });
    }
  }
  const z = (seen.fwhm - night.width.level) / night.width.scatter;
  if (shapes.length === 0 && wide > 1.17 && z > 3 && !found.some((each) => each.cause === "dew or haze")) {
    const flat = q.moffatBeta > 1.6 * night.beta;
    const numbers = `FWHM ${px(seen.fwhm)} (night ${px(night.width.level)}), stars round (axis ratio ${
      ratio.toFixed(2)
    })`;
    const verdict: Verdict = wide > options.rejectWidth ? "reject" : "down-weight";
    if (ring || wide > 2.2) {
      shapes.push({
        cause: "defocus",
        verdict: "reject",
        evidence: `${numbers}${ring ? `, the middle of the mean star at ${percent(q.centralLevel)} of its ring` : ""}`,
        strength: wide / 1.17,
      });
    } else {
      // Shaken stars are never quite round: a little longer than the night's, all the same way.
      const shaken = seen.alignment > 0.6 &&
        chi > Math.max(0.045, 1.5 * night.chi.level, night.chi.level + 3 * night.chi.scatter);
      shapes.push({
        cause: shaken ? "wind shake" : flat ? "focus drift" : "poor seeing",
        or: shaken ? "poor seeing" : flat ? undefined : "focus drift",
        verdict: shaken && wide > 1.2 ? "reject" : verdict,
        evidence: `${numbers}, ${
          flat ? "profile with a flat top and short wings" : "profile as usual"
        } (Moffat exponent ${q.moffatBeta.toFixed(1)}, night ${night.beta.toFixed(1)})`,
        strength: wide / 1.17,
      });
    }
  }
  if (isTilted(q, night) && !shapes.some((each) => each.cause === "tilt")) shapes.push(tiltFinding(q));
  found.push(...shapes);

  // 5. Trails across.
  const directions = [...q.trails.map((each) => each.degrees), ...seen.flashes];
  if (directions.length > 0) {
    // An aircraft's lamps are rows of lights: several trails of one direction are one.
    const apart = directions.filter((each, i) =>
      directions.slice(0, i).every((other) => Math.abs(((each - other) % 180 + 270) % 180 - 90) > 4)
    );
    found.push({
      cause: "satellite or aircraft",
      verdict: "keep",
      evidence: `${apart.length === 1 ? "a trail" : `${apart.length} trails`} at ${
        apart.map((each) => `${Math.round(each)}°`).join(", ")
      }${seen.cleaned ? "; width and shape are those of the stars that other frames show too" : ""}`,
      strength: (q.trails[0]?.significance ?? 9) / 9,
    });
  }
  return found;
}

/** Whether widths change over the field from one side to the other, beyond what the whole rig has. */
const isTilted = ({ fieldMap }: FrameQuality, night: Group): boolean =>
  fieldMap.tiltSignificance > 6 && fieldMap.tilt > Math.max(0.3, night.tilt + 0.2);

function tiltFinding(q: FrameQuality): Finding {
  return {
    cause: "tilt",
    verdict: "keep",
    evidence: `FWHM² changes by ${percent(q.fieldMap.tilt)} from the middle to a corner towards ${
      Math.round(q.fieldMap.tiltDegrees)
    }°`,
    strength: q.fieldMap.tilt / 0.3,
  };
}

const rank: { readonly [Name in Verdict]: number } = { reject: 2, "down-weight": 1, keep: 0 };

/**
 * A night whose focus creeps: turn single findings of wide, round stars into focus drift when neighbours in time rise
 * together.
 */
function followFocus(group: Group, findings: Finding[][], firstCause: (i: number) => number): void {
  const order = group.index.map((_, k) => k).sort((a, b) =>
    (group.rows[a].record.dateUtc ?? group.rows[a].record.file).localeCompare(
      group.rows[b].record.dateUtc ?? group.rows[b].record.file,
    )
  );
  for (let p = 0; p < order.length; p++) {
    const k = order[p];
    const at = firstCause(k);
    if (at < 0) continue;
    const finding = findings[k][at];
    const now = group.rows[k].quality?.fwhmPixels ?? NaN;
    if (finding.cause !== "poor seeing" && finding.cause !== "defocus") continue;
    const before = order.slice(Math.max(0, p - 4), p).map((j) => group.rows[j].quality?.fwhmPixels ?? NaN);
    // A focus that creeps goes on as it came: a leap after some frames of restless air is none.
    const last = before[before.length - 1];
    const pace = (last - before[0]) / Math.max(1, before.length - 1);
    const rising = before.length >= 3 &&
      before.every((each, i) => each > group.width.level && (i === 0 || each >= 0.97 * before[i - 1])) &&
      now >= 0.97 * last && now - last < 3 * pace + 2 * group.width.scatter &&
      last > 1.05 * before[0] && before[0] < 0.92 * now;
    if (rising) {
      findings[k][at] = {
        ...finding,
        cause: "focus drift",
        or: undefined,
        evidence: `${finding.evidence}; rising over ${before.length + 1} frames`,
      };
    }
  }
}

/**
 * Judge every light of a night: keep, down-weight or reject; why; on what numbers; and what to do next time.
 *
 * Frames are compared within their rig, filter, exposure, gain and size, and against the better half of them, so that
 * nothing depends on the rig; a change must also exceed a physical limit, so that a quiet night does not flag its own
 * noise. A frame may have several causes; where two fit equally well both are named with "or". What all frames of a
 * run have (tilt, curvature) is told as a finding on the rig and not held against the frames. Nothing is deleted: the
 * verdict is advice, and the person decides.
 *
 * @param rows lights with their measurements, in any order
 * @throws {RangeError} if a limit is out of range
 *
 * @example An unreadable file does not stop the night
 * ```ts
 * import assert from "node:assert/strict";
 * import { diagnoseNight, type FrameRecord } from "faintlight";
 *
 * const record: FrameRecord = {
 *   kind: "light", filter: "Ha", exposureSeconds: 300, gainSetting: 56, electronsPerAdu: null, offsetSetting: 30,
 *   sensorTemperatureC: -10, setTemperatureC: -10, binning: 1, width: 960, height: 720, planes: 1, bayer: null, rig: "Long",
 *   dateUtc: "2026-10-03T22:00:00", object: "Lantern Nebula", pixelSizeMicrometres: 5.4, focalLengthMillimetres: 810,
 *   arcsecPerPixel: 1.375, fullScaleAdu: 16383, path: "light-01.fits", file: "light-01.fits", bytes: 1, session: "2026-10-03",
 * };
 * const { frames } = diagnoseNight([{ record, quality: null, problem: "ends after 100 of 5760 bytes" }]);
 * assert.equal(frames[0].verdict, "reject");
 * assert.equal(frames[0].cause, "corrupt file");
 * ```
 */
export function diagnoseNight(
  rows: readonly NightRow[],
  options: Partial<DiagnoseNightOptions> = {},
): NightDiagnosis {
  const used = settle("diagnoseNight", diagnoseNightDefaults, options);
  for (const [name, value] of Object.entries(used)) {
    if (!(value > 0)) throw new RangeError(`diagnoseNight: ${name} must be > 0, but got ${value}`);
  }
  const groups = groupRows(rows);
  const frames: FrameDiagnosis[] = new Array<FrameDiagnosis>(rows.length);
  const firstByDigest = new Map<string, string>();
  const copies = rows.map((row) => {
    if (!row.digest) return null;
    const first = firstByDigest.get(row.digest);
    if (first === undefined) firstByDigest.set(row.digest, row.record.file);
    return first ?? null;
  });
  const findings: NightFinding[] = [];
  for (const group of groups) {
    const shown = group.rows.map((row, k) => look(row, group.transparency[k], group, used));
    followFocus(
      group,
      shown,
      (k) => shown[k].findIndex((each) => each.cause === "poor seeing" || each.cause === "defocus"),
    );
    group.rows.forEach((row, k) => {
      const copyOf = copies[group.index[k]];
      const list: Finding[] = copyOf === null
        ? shown[k]
        : [{ cause: "duplicate", verdict: "reject", evidence: `same data as ${copyOf}`, strength: 9 }];
      // The gravest first; what does least harm last.
      list.sort((a, b) => rank[b.verdict] - rank[a.verdict] || b.strength - a.strength);
      const verdict = list.reduce<Verdict>(
        (worst, each) => rank[each.verdict] > rank[worst] ? each.verdict : worst,
        "keep",
      );
      const q = row.quality;
      const t = group.transparency[k].value;
      const plain = q === null
        ? ""
        : `${q.starCount} stars, FWHM ${px(q.fwhmPixels)}, eccentricity ${q.eccentricity.toFixed(2)}, transparency ${
          percent(t)
        }`;
      const causes = list.length === 0 ? ["clear sky" as Cause] : list.map((each) => each.cause);
      frames[group.index[k]] = {
        file: row.record.file,
        verdict,
        causes,
        cause: list.length === 0
          ? "clear sky"
          : list.map((each) => each.or === undefined ? each.cause : `${each.cause} or ${each.or}`).join("; "),
        evidence: list.length === 0 ? plain : list.map((each) => each.evidence).join("; "),
        remedy: [
          ...new Set(
            [
              ...causes.map((each) => remedies[each]),
              ...list.map((each) => each.or === undefined ? "" : remedies[each.or]),
            ]
              .filter((each) => each !== ""),
          ),
        ].join("; "),
        transparency: t,
        confidence: list.length === 0 ? 1 : Math.max(0, Math.min(1, 1 - 0.5 / Math.max(1, list[0].strength) ** 2)) *
          (list[0].or === undefined ? 1 : 0.6),
      };
    });
    const { rig, filter } = group.rows[0].record;
    const wrong = shown.flatMap((list) => list.filter((each) => each.cause === "wrong calibration"));
    if (group.rows.length >= 3 && wrong.length > group.rows.length / 2) {
      findings.push({
        rig,
        filter,
        cause: "wrong calibration",
        evidence: `${wrong.length} of ${group.rows.length} frames; ${wrong[0].evidence}`,
        remedy: remedies["wrong calibration"],
      });
    }
    if (group.rows.length >= 3 && group.tilt > 0.25) {
      findings.push({
        rig,
        filter,
        cause: "tilt",
        evidence: `FWHM² changes by ${percent(group.tilt)} from the middle to a corner in most frames`,
        remedy: remedies.tilt,
      });
    }
    if (group.rows.length >= 3 && Math.abs(group.curvature) > 0.4) {
      findings.push({
        rig,
        filter,
        cause: "curved field",
        evidence: `FWHM² is ${percent(Math.abs(group.curvature))} ${
          group.curvature > 0 ? "larger" : "smaller"
        } in the corners in most frames`,
        remedy: remedies["curved field"],
      });
    }
  }
  return { frames, findings };
}
