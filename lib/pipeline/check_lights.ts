/** Checks the night: every light measured, registered, judged by cause, weighed; the tables that say so. */
import type { FrameRecord } from "../core/frame_record.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import { linearPart } from "../core/transform.ts";
import { parallelMap } from "../parallel/pool.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";
import { diagnoseNight, type FrameDiagnosis, type NightFinding } from "../night/diagnose_night.ts";
import { type Decision, type SelectedFrame, selectFrames } from "../night/select_frames.ts";
import type { SelectionEffect } from "../night/weight_frames.ts";
import type { EncodedPicture } from "../view/sheet.ts";
import { join } from "../io/paths.ts";
import type { Cell } from "./csv.ts";
import { type MeasuredLight, measureLightTask } from "./measure_light.ts";
import { digestIn, type NightContext } from "./night_context.ts";
import { type LightRegistration, registerLights } from "./register_lights.ts";

/** One light with all that is known of it. */
export interface CheckedLight {
  /** The file. */
  readonly record: FrameRecord;
  /** Its calibration. */
  readonly correction: SensorCorrection | null;
  /** Its measurement; null when it could not be read. */
  readonly quality: FrameQuality | null;
  /** A small picture; null when it could not be read. */
  readonly thumbnail: EncodedPicture | null;
  /** Where it lies; null when it could not be measured. */
  readonly registration: LightRegistration | null;
  /** What is to be done with it and why. */
  readonly diagnosis: FrameDiagnosis;
  /** Name of the stack it belongs to. */
  readonly stack: string;
  /** Part in its stack, mean 1 over the frames kept; 0 when left out. */
  readonly weight: number;
}

/** The checked night. */
export interface CheckedNight {
  /** One entry a light file, in the order of the table. */
  readonly lights: readonly CheckedLight[];
  /** What the rigs have by themselves. */
  readonly findings: readonly NightFinding[];
  /** By stack: what leaving frames out costs in depth and gains in sharpness. */
  readonly effects: Readonly<Record<string, SelectionEffect>>;
}

/** Light of the stars of a frame over that of its rig's reference; 1 where nothing tells. */
export function starFlux({ registration, diagnosis }: Pick<CheckedLight, "registration" | "diagnosis">): number {
  const light = registration?.fluxRatio ?? diagnosis.transparency;
  return light !== null && light > 0 ? light : 1;
}

/** Frames measured before the answers are kept: what is lost at most when a run is stopped. */
const measuredAtOnce = 16;

/**
 * Width of a light's small picture: what a page can hold of it. 1000 of 120 pixels are about as many bytes as 300 of
 * 240.
 */
const thumbnailWidthFor = (lights: number): number => lights > 300 ? 120 : 240;

/** Measure lights that no earlier run has measured. */
function measureLights(
  context: NightContext,
  lights: readonly FrameRecord[],
  corrections: readonly (SensorCorrection | null)[],
  calibrationKeys: readonly string[],
): MeasuredLight[] {
  const { checkpoints, folder, progress } = context;
  const question = (at: number) => ({ light: digestIn(context, lights[at]), calibration: calibrationKeys[at] });
  const answers: (MeasuredLight | undefined)[] = lights.map((_, at) =>
    checkpoints.find<MeasuredLight>("measure", question(at))
  );
  const open = answers.flatMap((answer, at) => answer === undefined ? [at] : []);
  for (let from = 0; from < open.length; from += measuredAtOnce) {
    const part = open.slice(from, from + measuredAtOnce);
    const jobs = part.map((at) => ({
      path: join(folder, lights[at].file),
      bayer: lights[at].bayer,
      correction: corrections[at],
      facts: lights[at],
      thumbnailWidth: thumbnailWidthFor(lights.length),
    }));
    const made = parallelMap(measureLightTask, jobs, {
      label: "measuring frames",
      progress: ({ label, done }) =>
        progress({ label, done: lights.length - open.length + from + done, total: lights.length }),
    });
    made.forEach((answer, index) => {
      answers[part[index]] = checkpoints.keep("measure", question(part[index]), answer);
    });
  }
  return answers as MeasuredLight[];
}

/** Name of the stack of a light: its filter, or `colour`, behind the rig's name when there are several rigs. */
export function stackName(record: FrameRecord, severalRigs: boolean): string {
  const plain = record.bayer !== null || record.planes === 3
    ? "colour"
    : record.filter === ""
    ? "unfiltered"
    : record.filter;
  const filter = plain.replaceAll(/[^\w.+-]+/g, "-");
  return severalRigs ? `${record.rig.replaceAll(/[^\w.+-]+/g, "-") || "rig"}-${filter}` : filter;
}

/**
 * Check the lights of a night.
 *
 * @param lights the files, readable by their headers
 * @param corrections calibration of each; null for none
 * @param calibrationKeys what each calibration is made of, so that a changed one asks anew
 * @param decisions what the person decided about single files
 */
export function checkLights(
  context: NightContext,
  lights: readonly FrameRecord[],
  corrections: readonly (SensorCorrection | null)[],
  calibrationKeys: readonly string[],
  decisions: readonly Decision[] = [],
): CheckedNight {
  const measured = measureLights(context, lights, corrections, calibrationKeys);
  measured.forEach(({ notes }, at) => notes.forEach((note) => context.remark(`${lights[at].file}: ${note}`)));
  const usable = lights.flatMap((record, at) => {
    const { quality } = measured[at];
    return quality === null ? [] : [{ record, quality, correction: corrections[at] }];
  });
  const registrations = usable.length === 0 ? [] : registerLights(context, usable);
  const places = new Map(registrations.map((each) => [each.file, each]));
  const diagnosis = diagnoseNight(lights.map((record, at) => ({
    record,
    quality: measured[at].quality,
    problem: measured[at].failure,
    digest: digestIn(context, record),
    fluxRatio: places.get(record.file)?.fluxRatio ?? null,
    darkLevel: corrections[at]?.subtract ? 0 : null,
  })));
  const severalRigs = new Set(lights.map((record) => record.rig)).size > 1;
  const names = lights.map((record) => stackName(record, severalRigs));
  const judged = lights.map((record, at): FrameDiagnosis => {
    const verdict = diagnosis.frames[at];
    const place = places.get(record.file);
    if (verdict.verdict === "reject" || place === undefined || place.transform !== null) return verdict;
    return {
      ...verdict,
      verdict: "reject",
      cause: verdict.cause === "clear sky" ? "not registered" : `${verdict.cause}; not registered`,
      evidence: `${verdict.evidence}; ${place.note}`,
      remedy: verdict.remedy === "" ? "check that the frame shows the same field as the others" : verdict.remedy,
    };
  });
  const selection = selectFrames(
    lights.map((record, at) => {
      const { quality } = measured[at];
      const place = places.get(record.file);
      return {
        diagnosis: judged[at],
        stack: names[at],
        noise: quality === null || place?.transform == null ? NaN : quality.noise,
        light: place?.fluxRatio ?? null,
        fwhm: quality?.fwhmPixels ?? null,
      };
    }),
    decisions,
  );
  for (const { file } of selection.unused) {
    context.remark(`${file}: a decision names it, but the night has no such light; write it as frames.csv does`);
  }
  return {
    lights: lights.map((record, at) => ({
      record,
      correction: corrections[at],
      quality: measured[at].quality,
      thumbnail: measured[at].thumbnail,
      registration: places.get(record.file) ?? null,
      diagnosis: decided(judged[at], selection.frames[at]),
      stack: names[at],
      weight: selection.frames[at].weight,
    })),
    findings: diagnosis.findings,
    effects: selection.effects,
  };
}

/** The diagnosis with the person's decision; what was measured stays. */
function decided(diagnosis: FrameDiagnosis, { overridden, kept, verdict, reason }: SelectedFrame): FrameDiagnosis {
  if (!overridden) return diagnosis;
  const why = verdict !== "reject" && !kept ? "decided by hand, but the frame cannot be used" : "decided by hand";
  return {
    ...diagnosis,
    verdict: kept ? verdict : "reject",
    evidence: [`${why}${reason === why ? "" : `: ${reason}`}`, diagnosis.evidence].filter((each) => each !== "").join(
      "; ",
    ),
  };
}

/** Columns of `frames.csv`. */
export const frameColumns = [
  "file",
  "rig",
  "filter",
  "exposure_s",
  "date",
  "stars",
  "fwhm_px",
  "fwhm_arcsec",
  "eccentricity",
  "elongation_deg",
  "half_flux_radius_px",
  "background_adu",
  "noise_adu",
  "transparency",
  "weight",
  "verdict",
  "cause",
  "evidence",
  "remedy",
] as const;

/** A row of `frames.csv`. */
export type FrameRow = Readonly<Partial<Record<typeof frameColumns[number], Cell>>>;

/** The row of a light. */
export function frameRow({ record, quality, diagnosis, weight }: CheckedLight): FrameRow {
  return {
    file: record.file,
    rig: record.rig,
    filter: record.filter,
    exposure_s: record.exposureSeconds,
    date: record.dateUtc,
    stars: quality?.starCount,
    fwhm_px: quality?.fwhmPixels,
    fwhm_arcsec: quality?.fwhmArcsec,
    eccentricity: quality?.eccentricity,
    elongation_deg: quality?.elongationDegrees,
    half_flux_radius_px: quality?.halfFluxRadiusPixels,
    background_adu: quality?.background,
    noise_adu: quality?.noise,
    transparency: diagnosis.transparency,
    weight,
    verdict: diagnosis.verdict,
    cause: diagnosis.cause,
    evidence: diagnosis.evidence,
    remedy: diagnosis.remedy,
  };
}

/** Columns of `registration.csv`. */
export const registrationColumns = [
  "file",
  "reference",
  "model",
  "m00",
  "m01",
  "m02",
  "m10",
  "m11",
  "m12",
  "m20",
  "m21",
  "m22",
  "rms_px",
  "matched_stars",
] as const;

/** The row of a light in `registration.csv`: the linear part of its map at the frame's centre. */
export function registrationRow(
  { record, registration }: CheckedLight,
): Readonly<Partial<Record<typeof registrationColumns[number], Cell>>> {
  const base = { file: record.file, reference: registration?.reference ?? "" };
  if (registration === null || registration.transform === null) return base;
  const centre = { x: (record.width - 1) / 2, y: (record.height - 1) / 2 };
  const [m00, m01, m02, m10, m11, m12, m20, m21, m22] = linearPart(registration.transform, centre);
  return {
    ...base,
    model: registration.transform.kind,
    ...{ m00, m01, m02, m10, m11, m12, m20, m21, m22 },
    rms_px: registration.rmsPixels,
    matched_stars: registration.matchedStars,
  };
}
