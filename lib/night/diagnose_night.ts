/** From the measurements of a night to a verdict on each frame: cause, evidence, remedy. */
import { settle } from "../core/options.ts";
import type { Cause, CauseFinding, Verdict } from "./causes/cause.ts";
import { causeRules, remedies } from "./causes/cause_rules.ts";
import { copiesIn, copyFinding } from "./causes/duplicate.ts";
import { percent, pixels } from "./causes/evidence.ts";
import { followFocus } from "./causes/focus_drift.ts";
import { diagnoseNightDefaults, type DiagnoseNightOptions } from "./diagnose_night_options.ts";
import { groupNight, type NightGroup } from "./night_group.ts";
import type { NightRow } from "./night_row.ts";
import { measureSkyAgainst } from "./sky_measures.ts";
import { measureStarsAgainst } from "./star_measures.ts";

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
  /** Flux of its stars over that of the night's clearest frames; NaN when it cannot be told. */
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

/** Ask rules one after the other until one is conclusive. */
function ask<Context>(
  context: Context,
  rules: readonly (((context: Context) => CauseFinding | null) | undefined)[],
): { readonly found: readonly CauseFinding[]; readonly conclusive: boolean } {
  const found: CauseFinding[] = [];
  for (const rule of rules) {
    const finding = rule?.(context) ?? null;
    if (finding === null) continue;
    found.push(finding);
    if (finding.conclusive) return { found, conclusive: true };
  }
  return { found, conclusive: false };
}

/** Every cause that the frame at place `k` of its group shows. */
function findCauses(group: NightGroup, k: number, options: DiagnoseNightOptions): CauseFinding[] {
  const row = group.rows[k];
  const { found, conclusive } = ask(row, causeRules.map((rule) => rule.inFile));
  if (conclusive || row.quality === null) return [...found];
  const sky = measureSkyAgainst(row, row.quality, group, options);
  const more = sky.starless !== null
    ? ask(sky, causeRules.map((rule) => rule.withoutStars))
    : ask(measureStarsAgainst(sky, group.transparency[k]), causeRules.map((rule) => rule.withStars));
  return [...found, ...more.found];
}

const rank: { readonly [Name in Verdict]: number } = { reject: 2, "down-weight": 1, keep: 0 };

/** The numbers of a frame that nothing is wrong with. */
function clearEvidence({ quality }: NightRow, transparency: number): string {
  if (quality === null) return "";
  const { starCount, fwhmPixels, eccentricity } = quality;
  return `${starCount} stars, FWHM ${pixels(fwhmPixels)}, eccentricity ${eccentricity.toFixed(2)}, transparency ${
    percent(transparency)
  }`;
}

/** How sure the gravest finding is: by how far its number lies beyond the limit, less where another cause fits. */
const confidenceOf = ({ strength, or }: CauseFinding): number =>
  Math.max(0, Math.min(1, 1 - 0.5 / Math.max(1, strength) ** 2)) * (or === undefined ? 1 : 0.6);

/** The remedies of all causes and of their alternatives, each once. */
function remedyOf(findings: readonly CauseFinding[]): string {
  const all = [
    ...findings.map(({ cause }) => remedies[cause]),
    ...findings.map(({ or }) => or === undefined ? "" : remedies[or]),
  ];
  return [...new Set(all.filter((each) => each !== ""))].join("; ");
}

/** One frame's findings as its diagnosis: the gravest first, what does least harm last. */
function describeFindings(row: NightRow, findings: readonly CauseFinding[], transparency: number): FrameDiagnosis {
  const { file } = row.record;
  if (findings.length === 0) {
    return {
      file,
      verdict: "keep",
      causes: ["clear sky"],
      cause: "clear sky",
      evidence: clearEvidence(row, transparency),
      remedy: "",
      transparency,
      confidence: 1,
    };
  }
  const sorted = [...findings].sort((a, b) => rank[b.verdict] - rank[a.verdict] || b.strength - a.strength);
  return {
    file,
    verdict: sorted[0].verdict,
    causes: sorted.map((each) => each.cause),
    cause: sorted.map(({ cause, or }) => or === undefined ? cause : `${cause} or ${or}`).join("; "),
    evidence: sorted.map((each) => each.evidence).join("; "),
    remedy: remedyOf(sorted),
    transparency,
    confidence: confidenceOf(sorted[0]),
  };
}

/** Frames of a run from which on something is said of the rig. */
const minimumRunFrames = 3;

/** What most frames of a run have. */
function describeRun(group: NightGroup, findings: readonly (readonly CauseFinding[])[]): NightFinding[] {
  if (group.rows.length < minimumRunFrames) return [];
  const { rig, filter } = group.rows[0].record;
  return causeRules.flatMap(({ cause, remedy, inRun }) => {
    const evidence = inRun?.({ group, findings }) ?? null;
    return evidence === null ? [] : [{ rig, filter, cause, evidence, remedy }];
  });
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
 *   kind: "light",
 *   filter: "Ha",
 *   exposureSeconds: 300,
 *   gainSetting: 56,
 *   electronsPerAdu: null,
 *   offsetSetting: 30,
 *   sensorTemperatureC: -10,
 *   setTemperatureC: -10,
 *   binning: 1,
 *   width: 960,
 *   height: 720,
 *   planes: 1,
 *   bayer: null,
 *   rig: "Long",
 *   dateUtc: "2026-10-03T22:00:00",
 *   object: "Lantern Nebula",
 *   pixelSizeMicrometres: 5.4,
 *   focalLengthMillimetres: 810,
 *   arcsecPerPixel: 1.375,
 *   fullScaleAdu: 16383,
 *   path: "light-01.fits",
 *   file: "light-01.fits",
 *   bytes: 1,
 *   session: "2026-10-03",
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
  const copies = copiesIn(rows);
  const frames = new Array<FrameDiagnosis>(rows.length);
  const findings: NightFinding[] = [];
  for (const group of groupNight(rows)) {
    const found = group.rows.map((_, k) => findCauses(group, k, used));
    followFocus(group, found);
    group.rows.forEach((row, k) => {
      const copyOf = copies[group.index[k]];
      const own = copyOf === null ? found[k] : [copyFinding(copyOf)];
      frames[group.index[k]] = describeFindings(row, own, group.transparency[k].value);
    });
    findings.push(...describeRun(group, found));
  }
  return { frames, findings };
}
