/** Checks the night: every light measured, registered, judged by cause, weighed; the tables that say so. */
import type { LightSource } from "./calibrate_light.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import { linearPart } from "../core/transform.ts";
import { parallelMap } from "../parallel/pool.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";
import { diagnoseNight, type FrameDiagnosis, type NightFinding } from "../night/diagnose_night.ts";
import type { DiagnoseNightOptions } from "../night/diagnose_night_options.ts";
import { type Decision, type SelectedFrame, selectFrames } from "../night/select_frames.ts";
import type { RegisterFramesOptions } from "../register/register_frames.ts";
import type { SelectionEffect } from "../night/weight_frames.ts";
import type { EncodedPicture } from "../view/sheet.ts";
import type { Cell } from "./csv.ts";
import type { Calibrator } from "./master_maker.ts";
import { type MeasuredLight, measureLightTask } from "./measure_light.ts";
import { digestIn, fileName, type NightContext } from "./night_context.ts";
import { type LightRegistration, registerLights } from "./register_lights.ts";
import { remarkOnFiles } from "./remark_on_files.ts";

/** One light with all that is known of it. */
export interface CheckedLight {
  /** The file. */
  readonly record: FrameRecord;
  /** Its calibration. */
  readonly calibrator: Calibrator;
  /** Its measurement; null when it could not be read. */
  readonly quality: FrameQuality | null;
  /** A small picture; null when it could not be read. */
  readonly thumbnail: EncodedPicture | null;
  /** Where it lies; null when it could not be measured. */
  readonly registration: LightRegistration | null;
  /** What is to be done with it and why. */
  readonly diagnosis: FrameDiagnosis;
  /** Whether a person decided about it. */
  readonly decidedByPerson: boolean;
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

/** Flux of the stars of a frame over that of its rig's reference; 1 where nothing tells. */
export function starFluxRatio({ registration, diagnosis }: Pick<CheckedLight, "registration" | "diagnosis">): number {
  const fluxRatio = registration?.fluxRatio ?? diagnosis.transparency;
  return fluxRatio !== null && fluxRatio > 0 ? fluxRatio : 1;
}

/** Frames measured before the answers are kept: what is lost at most when a run is stopped. */
const measuredAtOnce = 16;

/**
 * Width of a light's small picture: what a page can hold of it. 1000 of 120 pixels are about as many bytes as 300 of
 * 240.
 */
const thumbnailWidthFor = (lights: number): number => lights > 300 ? 120 : 240;

/** What is known of a light, but where it lies and how it is called. */
function factsOf(record: FrameRecord): Omit<FrameRecord, "path" | "file"> {
  const { path: _path, file: _file, ...facts } = record;
  return facts;
}

/** Measure lights that no earlier run has measured. */
function measureLights(context: NightContext, frames: readonly CalibratedLight[]): MeasuredLight[] {
  const { checkpoints, progress } = context;
  const lights = frames.map(({ record }) => record);
  const thumbnailWidth = thumbnailWidthFor(lights.length);
  const question = (at: number) => ({
    light: digestIn(context, lights[at]),
    calibration: frames[at].calibrator.key,
    thumbnailWidth,
    ...factsOf(lights[at]),
  });
  const answers: (MeasuredLight | undefined)[] = lights.map((_, at) =>
    checkpoints.find<MeasuredLight>("measure", question(at))
  );
  const open = answers.flatMap((answer, at) => answer === undefined ? [at] : []);
  for (let from = 0; from < open.length; from += measuredAtOnce) {
    const part = open.slice(from, from + measuredAtOnce);
    const jobs = part.map((at) => ({
      ...lightSource(frames[at]),
      facts: lights[at],
      thumbnailWidth,
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
  const filter = fileName(plain);
  return severalRigs ? `${fileName(record.rig) || "rig"}-${filter}` : filter;
}

/** A light with what calibrates it. */
export interface CalibratedLight {
  /** The file. */
  readonly record: FrameRecord;
  /** Its calibration. */
  readonly calibrator: Calibrator;
}

/** A light as the stages that read its pixels take it. */
export const lightSource = ({ record, calibrator }: CalibratedLight): LightSource => ({
  path: record.path,
  bayer: record.bayer,
  correction: calibrator.correction(),
});

/** A light as the report sees it, before the person has a word. */
interface JudgedLight extends CalibratedLight {
  readonly measured: MeasuredLight;
  readonly registration: LightRegistration | null;
  readonly diagnosis: FrameDiagnosis;
  readonly stack: string;
}

/** The night as the report sees it, before the person has a word. */
export interface JudgedNight {
  /** One entry a light file. */
  readonly lights: readonly JudgedLight[];
  /** What the rigs have by themselves. */
  readonly findings: readonly NightFinding[];
}

/** How lights are registered and judged, where that differs from the library's choice. */
export interface JudgeSettings {
  /** Options of the registration. */
  readonly registration: Partial<RegisterFramesOptions>;
  /** Options of the judge. */
  readonly judge: Partial<DiagnoseNightOptions>;
}

/** A light without a map cannot be stacked, whatever its picture looks like. */
function withoutMap(diagnosis: FrameDiagnosis, place: LightRegistration | null): FrameDiagnosis {
  if (diagnosis.verdict === "reject" || place === null || place.transform !== null) return diagnosis;
  return {
    ...diagnosis,
    verdict: "reject",
    cause: diagnosis.cause === "clear sky" ? "not registered" : `${diagnosis.cause}; not registered`,
    evidence: `${diagnosis.evidence}; ${place.note}`,
    remedy: diagnosis.remedy === "" ? "check that the frame shows the same field as the others" : diagnosis.remedy,
  };
}

/**
 * Measure, register and judge the lights of a night.
 *
 * @param frames the lights, readable by their headers, with what calibrates each
 */
export function judgeLights(
  context: NightContext,
  frames: readonly CalibratedLight[],
  settings: JudgeSettings,
): JudgedNight {
  const measured = measureLights(context, frames);
  const told = measured.flatMap(({ notes }, at) => notes.map((text) => ({ file: frames[at].record.file, text })));
  remarkOnFiles(context.remark, told);
  const usable = frames.flatMap((frame, at) => {
    const { quality } = measured[at];
    return quality === null ? [] : [{ ...frame, quality }];
  });
  const registrations = usable.length === 0 ? [] : registerLights(context, usable, settings.registration);
  const places = new Map(registrations.map((each) => [each.file, each]));
  const rows = frames.map(({ record, calibrator }, at) => ({
    record,
    quality: measured[at].quality,
    problem: measured[at].failure,
    digest: digestIn(context, record),
    fluxRatio: places.get(record.file)?.fluxRatio ?? null,
    darkLevel: calibrator.takesOffDark ? 0 : null,
  }));
  // measurements and maps follow from the files and their calibration: these tell one question from another
  const files = frames.map(({ record, calibrator }) => [record.file, digestIn(context, record), calibrator.key]);
  const diagnosis = context.checkpoints.once(
    "judgement",
    { files, settings },
    () => diagnoseNight(rows, settings.judge),
  );
  const severalRigs = new Set(frames.map(({ record }) => record.rig)).size > 1;
  const lights = frames.map((frame, at): JudgedLight => {
    const registration = places.get(frame.record.file) ?? null;
    return {
      ...frame,
      measured: measured[at],
      registration,
      diagnosis: withoutMap(diagnosis.frames[at], registration),
      stack: stackName(frame.record, severalRigs),
    };
  });
  return { lights, findings: diagnosis.findings };
}

/**
 * Choose the lights of each stack and weigh them: the person's word over the report's.
 *
 * @param decisions what the person decided about single files
 */
export function chooseLights(context: NightContext, judged: JudgedNight, decisions: readonly Decision[]): CheckedNight {
  const selection = selectFrames(
    judged.lights.map(({ measured: { quality }, registration, diagnosis, stack }) => ({
      diagnosis,
      stack,
      noise: quality === null || registration?.transform == null ? NaN : quality.noise,
      fluxRatio: registration?.fluxRatio ?? null,
      fwhm: quality?.fwhmPixels ?? null,
    })),
    decisions,
  );
  for (const { file } of selection.unused) {
    context.remark(`${file}: a decision names it, but the night has no such light; write it as frames.csv does`);
  }
  return {
    lights: judged.lights.map(({ record, calibrator, measured, registration, diagnosis, stack }, at) => ({
      record,
      calibrator,
      quality: measured.quality,
      thumbnail: measured.thumbnail,
      registration,
      diagnosis: decided(diagnosis, selection.frames[at]),
      decidedByPerson: selection.frames[at].overridden,
      stack,
      weight: selection.frames[at].weight,
    })),
    findings: judged.findings,
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
