/** From the measurements of a night to a verdict on each frame: cause, evidence, remedy. */
import type { FrameRecord } from "../core/frame_record.ts";
import { settle } from "../core/options.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";
import { median, quantile } from "../stats/median.ts";
import { type Cause, remedies } from "./causes.ts";
import { measureTransparency, type Transparency } from "./transparency.ts";

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
  /** Level of a frame without light and of equal exposure, in the unit of the measurement: 0 for calibrated frames; null when not known. */
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
  /** Growth of the sky's noise from which on a frame is rejected. */
  readonly rejectNoise: number;
}

/**
 * What {@linkcode diagnoseNight} uses for an option left out. A frame with stars 1.3 times as wide has 0.6 of the weight
 * for point sources (1/FWHM²) and blurs what the others resolve; an axis ratio of 1.35 is seen as a line by anyone; at a transparency of
 * 0.6 a frame has 0.36 of a clear one's weight, and cloud that thick is never even; noise of 1.6 times the night's leaves
 * 0.39 of the weight too. Between these and what the night scatters by itself a frame is kept with less weight.
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
  const level = quantile(known, 0.25), half = quantile(known, 0.5);
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

function groupRows(rows: readonly NightRow[]): Group[] {
  const keys = new Map<string, number[]>();
  rows.forEach((row, i) => {
    const { record } = row;
    const exposure = record.exposureSeconds === null ? null : Number(record.exposureSeconds.toPrecision(3));
    const key = JSON.stringify([
      record.rig,
      record.filter,
      exposure,
      record.gainSetting,
      record.binning,
      record.width,
      record.height,
    ]);
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
      background: lowerHalf(of((q) => q.starCount > 0 ? q.background : NaN)),
      halo: lowerHalf(of((q) => q.haloShare)),
      beta: middle((q) => q.moffatBeta),
      starCount: counts.length === 0 ? 0 : quantile(counts, 0.7),
      tilt: middle((q) => q.fieldMap.tiltSignificance > 3 ? q.fieldMap.tilt : 0),
      curvature: middle((q) => q.fieldMap.curvatureSignificance > 3 ? q.fieldMap.curvature : 0),
      rotation: middle((q) => cornerTrail(q) / q.fwhmPixels),
    };
  });
}

/** Length of the trail that field rotation leaves in the farthest corner from its centre, pixels; 0 without rotation. */
function cornerTrail(quality: FrameQuality): number {
  const rotation = quality.fieldMap.rotation;
  if (rotation === null || rotation.significance < 5) return 0;
  const { x, y } = rotation.centre, w = quality.width, h = quality.height;
  const far = Math.max(Math.hypot(x, y), Math.hypot(w - x, y), Math.hypot(x, h - y), Math.hypot(w - x, h - y));
  return far * rotation.degrees * Math.PI / 180;
}

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
  const q = row.quality, night = group;
  const noiseRatio = q.noise / night.noise.level;
  const dark = row.darkLevel ?? null;
  const skyRatio = dark === null ? NaN : (q.background - dark) / Math.max(1e-9, night.background.level - dark);
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
  }
  if (row.calibrationProblem) {
    found.push({ cause: "wrong calibration", verdict: "down-weight", evidence: row.calibrationProblem, strength: 2 });
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

  // 2. Light.
  if (q.saturatedShare > 0.005) {
    found.push({
      cause: "overexposed",
      verdict: q.saturatedShare > 0.2 ? "reject" : "down-weight",
      evidence: `${(q.saturatedShare * 100).toFixed(1)} % of the pixels at full scale`,
      strength: q.saturatedShare / 0.005,
    });
  }
  const t = transparency.value, wide = q.fwhmPixels / night.width.level;
  const haloGrowth = q.haloShare - night.halo.level;
  const dim = t < 0.85;
  if (dim) {
    // Cloud takes light and leaves the stars their width; drops on glass scatter it.
    const halo = haloGrowth > Math.max(0.05, 4 * night.halo.scatter);
    const dewy = (halo && wide > 1.08) || (wide > 1.15 && q.fwhmPixels > night.width.level + 3 * night.width.scatter);
    const numbers = `transparency ${percent(t)} (${transparency.stars} ${transparency.method} stars), ${sky}`;
    found.push({
      cause: dewy ? "dew or haze" : "cloud",
      verdict: t < options.rejectTransparency ? "reject" : "down-weight",
      evidence: dewy
        ? `${numbers}, ${
          halo ? `${percent(q.haloShare)} of the light in halos (night ${percent(night.halo.level)}), ` : ""
        }FWHM ${px(q.fwhmPixels)} (night ${px(night.width.level)})`
        : `${numbers}${noiseRatio > 1.05 ? ": lit from below" : ""}`,
      strength: 0.85 / Math.max(0.05, t),
    });
  } else if ((noiseRatio > 1.35 || skyRatio > 2) && q.background > night.background.level) {
    const bright = noiseRatio > 1.7 || skyRatio > 3;
    found.push({
      cause: bright ? "twilight" : "moonlight",
      or: bright ? "moonlight" : "twilight",
      verdict: noiseRatio > options.rejectNoise ? "reject" : "down-weight",
      evidence: `${sky}, noise ${percent(noiseRatio)} of the night's, stars as bright as ever (transparency ${
        percent(t)
      })`,
      strength: noiseRatio / 1.35,
    });
  }

  // 3. Shape.
  const chi = chiOf(q.eccentricity), ratio = axisRatio(chi), usual = axisRatio(night.chi.level);
  const longEnough = chi > Math.max(0.16, night.chi.level + 4 * night.chi.scatter, 1.4 * night.chi.level);
  const elongated = longEnough && ratio > 1.12;
  const trail = cornerTrail(q);
  const rotated = trail > Math.max(0.7 * night.width.level, 1.5 * night.rotation * night.width.level);
  const shapes: Finding[] = [];
  if (q.doubling !== null) {
    const d = q.doubling, length = Math.hypot(d.dx, d.dy);
    shapes.push({
      cause: "guiding jump",
      verdict: "reject",
      evidence: `${percent(d.share)} of the stars are double, ${px(length)} apart, the fainter with ${
        percent(d.ratio)
      } of the light`,
      strength: 3,
    });
  } else if (rotated && q.fieldMap.rotation !== null) {
    const r = q.fieldMap.rotation;
    shapes.push({
      cause: "field rotation",
      verdict: trail > 1.5 * q.fwhmPixels ? "reject" : "down-weight",
      evidence: `stars trail round (${Math.round(r.centre.x)}, ${Math.round(r.centre.y)}) by ${
        r.degrees.toFixed(3)
      }°, ${px(trail)} in the corner`,
      strength: trail / (0.7 * night.width.level),
    });
  } else if (elongated) {
    const broad = q.shortSigmaPixels / night.short.level;
    const both = `axis ratio ${ratio.toFixed(2)} (night ${usual.toFixed(2)}) along ${Math.round(q.elongationDegrees)}°`;
    const verdict: Verdict = ratio > options.rejectAxisRatio || wide > options.rejectWidth ? "reject" : "down-weight";
    if (q.alignment > 0.6) {
      const windy = broad > 1.12;
      shapes.push({
        cause: windy ? "wind shake" : "drift trailing",
        or: broad > 1.06 && broad < 1.2 ? (windy ? "drift trailing" : "wind shake") : undefined,
        verdict,
        evidence: `${both}, the same everywhere; across it stars are ${percent(broad)} of the night's width`,
        strength: ratio / Math.max(1.12, usual),
      });
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
  const z = (q.fwhmPixels - night.width.level) / night.width.scatter;
  if (shapes.length === 0 && wide > 1.17 && z > 3 && !found.some((each) => each.cause === "dew or haze")) {
    const ring = q.centralLevel < 0.8;
    const flat = q.moffatBeta > 1.6 * night.beta;
    const numbers = `FWHM ${px(q.fwhmPixels)} (night ${px(night.width.level)}), stars round (axis ratio ${
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
      const shaken = q.alignment > 0.6 &&
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
  if (
    q.fieldMap.tiltSignificance > 6 && q.fieldMap.tilt > Math.max(0.3, night.tilt + 0.2) &&
    !shapes.some((each) => each.cause === "tilt")
  ) shapes.push(tiltFinding(q));
  found.push(...shapes);

  // 4. Trails across.
  if (q.trails.length > 0) {
    const trails = q.trails.map((each) => `${each.degrees}° over ${percent(each.coverage)} of the frame`);
    found.push({
      cause: "satellite or aircraft",
      verdict: "keep",
      evidence: `${q.trails.length === 1 ? "a trail" : `${q.trails.length} trails`} at ${trails.join(", ")}`,
      strength: q.trails[0].significance / 8,
    });
  }
  return found;
}

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

/** A night whose focus creeps: turn single findings of wide, round stars into focus drift when neighbours in time rise together. */
function followFocus(group: Group, findings: Finding[][], firstCause: (i: number) => number): void {
  const order = group.index.map((_, k) => k).sort((a, b) =>
    (group.rows[a].record.dateUtc ?? group.rows[a].record.file).localeCompare(
      group.rows[b].record.dateUtc ?? group.rows[b].record.file,
    )
  );
  for (let p = 0; p < order.length; p++) {
    const k = order[p], at = firstCause(k);
    if (at < 0) continue;
    const finding = findings[k][at], now = group.rows[k].quality?.fwhmPixels ?? NaN;
    if (finding.cause !== "poor seeing" && finding.cause !== "defocus") continue;
    const before = order.slice(Math.max(0, p - 4), p).map((j) => group.rows[j].quality?.fwhmPixels ?? NaN);
    const rising = before.length >= 3 &&
      before.every((each, i) => each > group.width.level && (i === 0 || each >= 0.97 * before[i - 1])) &&
      now >= 0.97 * before[before.length - 1] && before[0] < 0.92 * now;
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
 * Frames are compared within their rig, filter, exposure, gain and size, and against the better half of them, so that nothing
 * depends on the rig; a change must also exceed a physical limit, so that a quiet night does not flag its own noise. A frame may
 * have several causes; where two fit equally well both are named with "or". What all frames of a run have (tilt, curvature) is
 * told as a finding on the rig and not held against the frames. Nothing is deleted: the verdict is advice, and the person decides.
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
 *   arcsecPerPixel: 1.375, fullScaleAdu: 16383, file: "light-01.fits", bytes: 1, session: "2026-10-03",
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
      const q = row.quality, t = group.transparency[k].value;
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
        remedy: [...new Set(causes.map((each) => remedies[each]).filter((each) => each !== ""))].join("; "),
        transparency: t,
        confidence: list.length === 0 ? 1 : Math.max(0, Math.min(1, 1 - 0.5 / Math.max(1, list[0].strength) ** 2)) *
          (list[0].or === undefined ? 1 : 0.6),
      };
    });
    const { rig, filter } = group.rows[0].record;
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
