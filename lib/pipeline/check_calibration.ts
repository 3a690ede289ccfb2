/**
 * Checks the calibration frames by their pixels, leaves out the wrong ones, and chooses from the others what
 * calibrates each light.
 */
import type { FrameRecord } from "../core/frame_record.ts";
import { readFits } from "../io/read_fits.ts";
import { parallelMap, type PoolTask } from "../parallel/pool.ts";
import { type CalibrationQuality, measureCalibration } from "../measure/measure_calibration.ts";
import { auditCalibration } from "../night/audit_calibration.ts";
import type { CalibrationFinding } from "../night/calibration_finding.ts";
import type { CalibrationPlan } from "../night/calibration_plan.ts";
import { matchCalibration } from "../night/match_calibration.ts";
import type { MatchCalibrationOptions } from "../night/match_calibration_options.ts";
import { failureOf } from "./fence.ts";
import { digestIn, type NightContext } from "./night_context.ts";
import { remarkOnFiles } from "./remark_on_files.ts";

/** The calibration of a night, chosen and judged. */
export interface CheckedCalibration {
  /** What calibrates which lights, and why not the rest. */
  readonly plan: CalibrationPlan;
  /** What is wrong with single frames or sets. */
  readonly findings: readonly CalibrationFinding[];
}

interface MeasureCalibrationJob {
  readonly path: string;
  readonly facts: FrameRecord;
}

/** A measurement, or why there is none. */
export interface MeasuredCalibration {
  readonly quality: CalibrationQuality | null;
  readonly failure: string;
}

/** Measure one calibration frame; runs in the pool. */
export function measureCalibrationFile({ path, facts }: MeasureCalibrationJob): MeasuredCalibration {
  try {
    const image = readFits(path, { bayer: facts.bayer, checksum: "accept" });
    return { quality: measureCalibration(image, facts), failure: "" };
  } catch (error) {
    return { quality: null, failure: failureOf(path, error) };
  }
}

/** The task for the pool. */
export const measureCalibrationTask: PoolTask<MeasureCalibrationJob, MeasuredCalibration> = {
  module: import.meta.url,
  name: "measureCalibrationFile",
  run: measureCalibrationFile,
};

function measureAll(context: NightContext, records: readonly FrameRecord[]): MeasuredCalibration[] {
  const { checkpoints, progress } = context;
  const question = (record: FrameRecord) => ({ frame: digestIn(context, record) });
  const answers = records.map((each) => checkpoints.find<MeasuredCalibration>("calibration", question(each)));
  const open = records.flatMap((_, at) => answers[at] === undefined ? [at] : []);
  const jobs = open.map((at) => ({ path: records[at].path, facts: records[at] }));
  parallelMap(measureCalibrationTask, jobs, { label: "checking calibration frames", progress })
    .forEach((made, index) => {
      answers[open[index]] = checkpoints.keep("calibration", question(records[open[index]]), made);
    });
  return answers as MeasuredCalibration[];
}

/** A wrong frame does harm; a faint flat that is alone does more good than none. */
function refusals(findings: readonly CalibrationFinding[], records: readonly FrameRecord[]): Record<string, string> {
  const grave = findings.filter((each) => each.severity === "refuse");
  const refused = new Set(grave.map((each) => each.file));
  const like = (file: string) => {
    const { kind, rig, filter, session } = records.find((each) => each.file === file) as FrameRecord;
    return records.filter((each) =>
      each.kind === kind && each.rig === rig && each.filter === filter && each.session === session
    );
  };
  return Object.fromEntries(
    grave.filter(({ file, problem }) =>
      problem !== "under-exposed flat" || !like(file).every((each) => refused.has(each.file))
    )
      .map(({ file, problem, evidence, remedy }) => [file, `${problem}: ${evidence}; ${remedy}`]),
  );
}

/** Findings that a person should hear of at once; the report lists all. */
const spoken = (finding: CalibrationFinding): boolean =>
  finding.problem !== "too few frames" && finding.problem !== "amplifier glow";

/** Whether a file is a calibration frame that can be judged by its pixels. */
export const isCalibration = (record: FrameRecord): boolean =>
  record.kind !== "light" && record.kind !== "unknown" && record.planes === 1;

/** A choice with what a person should hear of at once; the report lists all. */
export interface JudgedCalibration extends CheckedCalibration {
  /** File and sentence. */
  readonly remarks: readonly { readonly file: string; readonly text: string }[];
}

/**
 * Judge measured calibration frames and choose from those that are right.
 *
 * @param records all files, lights too
 * @param frames those that {@linkcode isCalibration} names
 * @param measured one entry for each of them
 * @param options tolerances of the match
 */
export function judgeCalibration(
  records: readonly FrameRecord[],
  frames: readonly FrameRecord[],
  measured: readonly MeasuredCalibration[],
  options: Partial<MatchCalibrationOptions> = {},
): JudgedCalibration {
  const inputs = frames.flatMap((record, at) => {
    const { quality } = measured[at];
    return quality === null ? [] : [{ record, quality }];
  });
  const findings = auditCalibration(inputs);
  const unreadable = frames.flatMap((record, at) =>
    measured[at].quality === null ? [{ file: record.file, text: `cannot be read: ${measured[at].failure}` }] : []
  );
  const refused = {
    ...refusals(findings, frames),
    ...Object.fromEntries(unreadable.map(({ file, text }) => [file, text])),
  };
  const glowing = new Set(findings.filter((each) => each.problem === "amplifier glow").map((each) => each.file));
  const glowingRigs = [...new Set(frames.filter((each) => glowing.has(each.file)).map((each) => each.rig))];
  const plan = matchCalibration(records, {
    ...options,
    refused: { ...options.refused, ...refused },
    glowingRigs: [...options.glowingRigs ?? [], ...glowingRigs],
  });
  const spokenOf = findings.filter(spoken).map(({ file, problem, evidence, remedy }) => ({
    file,
    text: `${problem}: ${evidence}; ${remedy}`,
  }));
  return { plan, findings, remarks: [...spokenOf, ...unreadable] };
}

/**
 * Check the calibration frames of a night and choose.
 *
 * @param records all files of the night
 * @param options tolerances of the match
 */
export function checkCalibration(
  context: NightContext,
  records: readonly FrameRecord[],
  options: Partial<MatchCalibrationOptions>,
): CheckedCalibration {
  const frames = records.filter(isCalibration);
  const { plan, findings, remarks } = judgeCalibration(records, frames, measureAll(context, frames), options);
  remarkOnFiles(context.remark, remarks);
  return { plan, findings };
}
