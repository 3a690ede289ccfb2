/** The night as the report page wants it: plain data from what the stages found. */
import type { FrameList } from "../io/list_frames.ts";
import type { CalibrationFinding } from "../night/calibration_finding.ts";
import { remedies } from "../night/causes/cause_rules.ts";
import type { FrameDiagnosis } from "../night/diagnose_night.ts";
import type { NightRow } from "../night/night_row.ts";
import type { CalibrationPlan } from "../night/calibration_plan.ts";
import { median } from "../stats/median.ts";
import { readCalibratedLight } from "./calibrate_light.ts";
import { demosaic } from "../calibrate/demosaic.ts";
import { firstRowOnTop } from "../io/orientation.ts";
import { frameCloseups } from "../view/frame_closeups.ts";
import { imageView } from "../view/image_view.ts";
import type { NightReport, ReportFrame, ReportStack } from "../view/report.ts";
import { type EncodedPicture, encodeSheet } from "../view/sheet.ts";
import { surfaceView } from "../view/surface_view.ts";
import { shapeMap } from "../view/shape_map.ts";
import { channelLabel } from "../view/palette.ts";
import { capital, formatDuration, formatNumber, formatShare } from "../view/text.ts";
import { type CheckedLight, type CheckedNight, lightSource } from "./check_lights.ts";
import { fenced } from "./fence.ts";
import type { FinishedPicture } from "./finish_picture.ts";
import type { MasterFile } from "./master_maker.ts";
import type { StackedNight } from "./stack_lights.ts";
import { libraryVersion } from "./version.ts";

const finite = (value: number | null | undefined): number | null =>
  value === undefined || value === null || !Number.isFinite(value) ? null : value;

/**
 * A judged light as a row for {@linkcode nightTimeline}, {@linkcode contactSheet} and the report.
 *
 * @param row the light with its measurement
 * @param diagnosis what {@linkcode diagnoseNight} says of it
 * @param more weight in its stack (0 when not given) and a small picture
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { diagnoseNight, listFrames } from "faintlight";
 * import { judgedFrame } from "lib/pipeline/night_report.ts";
 *
 * const [record] = listFrames("demo-data/long").records.filter((each) => each.kind === "light");
 * const row = { record, quality: null, problem: "not measured" };
 * const frame = judgedFrame(row, diagnoseNight([row]).frames[0]);
 * assert.equal(frame.verdict, "unreadable");
 * ```
 */
export function judgedFrame(
  { record, quality }: NightRow,
  diagnosis: FrameDiagnosis,
  more: { readonly weight?: number; readonly thumbnail?: EncodedPicture | null } = {},
): ReportFrame {
  return {
    file: record.file,
    rig: record.rig,
    filter: record.filter,
    exposureSeconds: record.exposureSeconds,
    dateUtc: record.dateUtc,
    stars: quality?.starCount ?? null,
    fwhmPixels: finite(quality?.fwhmPixels),
    fwhmArcsec: finite(quality?.fwhmArcsec),
    eccentricity: finite(quality?.eccentricity),
    elongationDegrees: finite(quality?.elongationDegrees),
    backgroundAdu: finite(quality?.background),
    noiseAdu: finite(quality?.noise),
    transparency: finite(diagnosis.transparency),
    weight: more.weight ?? 0,
    verdict: quality === null ? "unreadable" : diagnosis.verdict,
    cause: diagnosis.cause,
    evidence: diagnosis.evidence,
    remedy: diagnosis.remedy,
    thumbnail: more.thumbnail ?? null,
  };
}

/** A light as a row of the report. */
export const reportFrame = (light: CheckedLight): ReportFrame => judgedFrame(light, light.diagnosis, light);

/** Sheets of the report; none when they cannot be drawn, which is said. */
const drawnOr = <T>(of: string, remark: (text: string) => void, draw: () => readonly T[]): readonly T[] =>
  fenced(draw, (fact) => {
    remark(`report.html: no sheets of ${of}, because ${fact}; the tables are whole`);
    return [];
  });

function reportStack(stack: StackedNight, remark: (text: string) => void): ReportStack {
  const { noise, report } = stack;
  const picture = (sheet: Parameters<typeof encodeSheet>[0]) => encodeSheet(sheet, { format: "jpeg", zoom: 0.75 });
  const deeper = noise.measured === null ? NaN : noise.measured / noise.expected;
  const doubts = [
    ...(deeper > 1.2 ? [`the stack is ${formatShare(deeper - 1)} noisier than its frames promise`] : []),
    ...report.rejected.map(({ name, reason }) => `${name} was left out: ${reason}`),
  ];
  return {
    name: stack.name,
    frames: stack.lights.length,
    totalExposureSeconds: stack.totalExposureSeconds,
    reference: stack.lights[0].registration?.reference ?? "",
    rejectedDimmer: report.dimmerShare,
    rejectedBrighter: report.brighterShare,
    frameNoise: noise.frame,
    expectedNoise: noise.expected,
    measuredNoise: noise.measured,
    unit: "ADU",
    fwhmPixels: null,
    sheets: drawnOr(stack.name, remark, () => [
      picture(imageView(stack.read(""), { title: `${capital(channelLabel(stack.name))}, linear` })),
      picture(surfaceView(stack.read("coverage"), { title: "Frames behind each pixel", unit: "frames" })),
      picture(imageView(stack.read("rejections"), { title: "Samples left out as too bright", channel: "brighter" })),
    ]),
    notes: [...doubts, ...report.notes],
  };
}

/** Facts of a rig for the head of the report. */
function rigFacts(lights: readonly CheckedLight[]): (readonly [string, string])[] {
  const { record } = lights[0];
  const kept = lights.filter((each) => each.weight > 0);
  const widths = kept.map((each) => each.quality?.fwhmArcsec ?? each.quality?.fwhmPixels ?? NaN);
  const typical = median(widths.filter(Number.isFinite));
  const unit = record.arcsecPerPixel === null ? "px" : "arcsec";
  const facts: (readonly [string, string | null])[] = [
    ["frames", `${record.width} × ${record.height} pixels${record.bayer === null ? "" : `, ${record.bayer} mosaic`}`],
    [
      "focal length",
      record.focalLengthMillimetres === null ? null : `${formatNumber(record.focalLengthMillimetres)} mm`,
    ],
    ["pixel scale", record.arcsecPerPixel === null ? null : `${formatNumber(record.arcsecPerPixel)} arcsec`],
    ["sensor", record.sensorTemperatureC === null ? null : `${formatNumber(record.sensorTemperatureC)} °C`],
    ["lights", `${lights.length}, kept ${kept.length}`],
    ["exposure kept", formatDuration(kept.reduce((sum, each) => sum + (each.record.exposureSeconds ?? 0), 0))],
    ["stars", Number.isNaN(typical) ? null : `median FWHM ${formatNumber(typical)} ${unit}`],
  ];
  return facts.filter((fact): fact is readonly [string, string] => fact[1] !== null);
}

/** Sentences a person wants first: what was kept, what went wrong and how often, how deep the stacks are. */
export function nightSummary(checked: CheckedNight, stacks: readonly StackedNight[], unreadable: number): string[] {
  const { lights } = checked;
  const kept = lights.filter((each) => each.weight > 0).length;
  const causes = new Map<string, number>();
  for (const { diagnosis, weight } of lights) {
    if (weight === 0) causes.set(diagnosis.cause, (causes.get(diagnosis.cause) ?? 0) + 1);
  }
  if (unreadable > 0) causes.set("unreadable file", (causes.get("unreadable file") ?? 0) + unreadable);
  const lost = [...causes].sort((a, b) => b[1] - a[1]).map(([cause, count]) => `${count} × ${cause}`).join(", ");
  return [
    `${kept} of ${lights.length + unreadable} lights were kept${lost === "" ? "." : `; left out: ${lost}.`}`,
    ...stacks.map((stack) => {
      const { frame, expected, measured } = stack.noise;
      const depth = measured === null
        ? ""
        : `, noise ${formatNumber(measured)} ADU where one frame has ${formatNumber(frame)} and the frames promise ${
          formatNumber(expected)
        }`;
      return `${channelLabel(stack.name)}: ${stack.lights.length} frames, ${
        formatDuration(stack.totalExposureSeconds)
      }${depth}.`;
    }),
    ...Object.entries(checked.effects).flatMap(([name, { left, kept, depth, width }]) =>
      left === 0 || kept === 0 ? [] : [
        `${channelLabel(name)}: leaving out ${left} of ${left + kept} frames ${
          depth < 1 ? `costs ${formatShare(1 - depth)} of` : `adds ${formatShare(depth - 1)} to`
        } the depth${width < 1 ? ` and makes the stars ${formatShare(1 - width)} smaller` : ""}.`,
      ]
    ),
    ...checked.findings.map((each) =>
      `${each.rig}, ${each.filter || "no filter"}: ${each.cause}; ${each.evidence}; ${each.remedy}.`
    ),
  ];
}

/** What the stages of a run found. */
export interface NightFacts {
  /** The folder's files. */
  readonly night: FrameList;
  /** Calibration matched to lights. */
  readonly plan: CalibrationPlan;
  /** What is wrong with calibration frames. */
  readonly calibration: readonly CalibrationFinding[];
  /** Masters made. */
  readonly masters: readonly MasterFile[];
  /** The checked lights. */
  readonly checked: CheckedNight;
  /** The stacks. */
  readonly stacks: readonly StackedNight[];
  /** The finished pictures. */
  readonly finished: readonly FinishedPicture[];
  /** The captioned picture. */
  readonly picture: EncodedPicture | null;
  /** Files made, with their meaning. */
  readonly files: readonly (readonly [string, string])[];
  /** Stacks and steps that failed, in sentences. */
  readonly leftOut: readonly string[];
  /** Receives a remark on a sheet that cannot be drawn. */
  readonly remark: (text: string) => void;
}

/** Frames shown closely at most. */
const maximumCloseups = 8;

/** Lights that were not simply kept, one of each cause first, the first in time of each. */
function spoiltLights(lights: readonly CheckedLight[]): CheckedLight[] {
  const spoilt = lights.filter(({ quality, diagnosis }) => quality !== null && diagnosis.verdict !== "keep");
  const first = spoilt.filter((light, at) =>
    spoilt.findIndex((each) => each.diagnosis.cause === light.diagnosis.cause) === at
  );
  return [...first, ...spoilt.filter((light) => !first.includes(light))].slice(0, maximumCloseups);
}

/** Sheets on the night as a whole: frames that went wrong, and what the kept frames' stars show over the field. */
function nightSheets(lights: readonly CheckedLight[]): NonNullable<NightReport["nightSheets"]> {
  const sheets: { title: string; sheet: EncodedPicture }[] = [];
  const picture = (sheet: Parameters<typeof encodeSheet>[0]) => encodeSheet(sheet, { format: "jpeg", quality: 84 });
  const spoilt = spoiltLights(lights);
  if (spoilt.length > 0) {
    const frames = spoilt.map((light) => ({
      file: light.record.file,
      verdict: light.diagnosis.verdict,
      cause: light.diagnosis.cause,
      evidence: light.diagnosis.evidence,
      stars: light.quality?.stars ?? [],
      read: () => {
        const image = readCalibratedLight(lightSource(light));
        return light.record.bayer === null ? image : demosaic(image);
      },
    }));
    sheets.push({ title: "What went wrong, looked at closely", sheet: picture(frameCloseups(frames, { title: "" })) });
  }
  for (const rig of new Set(lights.map((light) => light.record.rig))) {
    const kept = lights.filter((light) => light.record.rig === rig && light.weight > 0 && light.quality !== null);
    for (const filter of new Set(kept.map((light) => light.record.filter))) {
      const own = kept.filter((light) => light.record.filter === filter);
      const [first] = own;
      const stars = own.flatMap((light) => light.quality?.stars ?? []).filter((star) => star.snr >= 12);
      if (first === undefined || stars.length < 20) continue;
      const name = filter === "" ? "" : `, ${channelLabel(filter)}`;
      const sheet = shapeMap(stars, first.record, {
        title: `${rig || "Rig"}${name}: ${own.length} kept frames together`,
        topDown: firstRowOnTop(
          readCalibratedLight({ path: first.record.path, bayer: null, correction: null }).header,
        ),
      });
      sheets.push({ title: "Star shapes over the field", sheet: picture(sheet) });
    }
  }
  return sheets;
}

/** The night as plain data for the page. */
export function nightReport(facts: NightFacts): NightReport {
  const { night, plan, calibration, masters, checked, stacks, finished, picture, files, leftOut, remark } = facts;
  const { lights } = checked;
  const inTime = [...lights].sort((a, b) => (a.record.dateUtc ?? "").localeCompare(b.record.dateUtc ?? ""));
  const unreadable = night.unreadable.map((each): ReportFrame => ({
    ...emptyFrame,
    file: each.file,
    evidence: each.message,
  }));
  const rigs = [...new Set(lights.map((each) => each.record.rig))];
  const sessions = [...new Set(lights.map((each) => each.record.session).filter((each) => each !== ""))].sort();
  return {
    object: lights.map((each) => each.record.object).find((each) => each !== "") ?? "Night report",
    night: sessions.length === 0 ? "date unknown" : `night of ${sessions.join(", ")}`,
    summary: [...nightSummary(checked, stacks, night.unreadable.length), ...leftOut],
    rigs: rigs.map((rig) => ({
      name: rig || "Rig",
      facts: rigFacts(lights.filter((each) => each.record.rig === rig)),
    })),
    frames: [...inTime.map(reportFrame), ...unreadable],
    nightSheets: drawnOr("the night as a whole", remark, () => nightSheets(inTime)),
    calibration: plan.rows,
    calibrationNotes: [
      ...plan.matches.flatMap(({ group, notes }) => notes.map((note) => `${group.name}: ${note}`)),
      ...calibration.map(({ file, problem, evidence, remedy }) => `${file}: ${problem}: ${evidence}; ${remedy}`),
      ...masters.flatMap(({ file, notes }) => notes.map((note) => `${file}: ${note}`)),
    ],
    stacks: stacks.map((stack) => reportStack(stack, remark)),
    steps: finished.flatMap((each) => each.steps),
    picture,
    files,
    madeWith: `Made with Faintlight ${libraryVersion}`,
  };
}

const emptyFrame: ReportFrame = {
  file: "",
  rig: "",
  filter: "",
  exposureSeconds: null,
  dateUtc: null,
  stars: null,
  fwhmPixels: null,
  fwhmArcsec: null,
  eccentricity: null,
  elongationDegrees: null,
  halfFluxRadiusPixels: null,
  backgroundAdu: null,
  noiseAdu: null,
  transparency: null,
  weight: 0,
  verdict: "unreadable",
  cause: "corrupt file",
  evidence: "",
  remedy: remedies["corrupt file"],
  thumbnail: null,
} as ReportFrame;
