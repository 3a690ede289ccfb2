/** The main job: a folder of raw frames in, stacks and a finished picture out, with tables, report and record. */
import { join } from "node:path";
import { silent } from "../core/progress.ts";
import type { FrameRecord } from "../core/frame_record.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import { openCheckpoints } from "../io/checkpoints.ts";
import { digestFiles } from "../io/digest_files.ts";
import { readNight } from "../io/read_night.ts";
import { writeWhole } from "../io/write_whole.ts";
import { type CalibrationRow, matchCalibration } from "../night/match_calibration.ts";
import type { Progress } from "../core/progress.ts";
import {
  checkLights,
  frameColumns,
  type FrameRow,
  frameRow,
  registrationColumns,
  registrationRow,
} from "./check_lights.ts";
import { csvText } from "./csv.ts";
import { masterMaker } from "./make_masters.ts";
import type { NightContext } from "./night_context.ts";
import { stackLights } from "./stack_lights.ts";
import { libraryVersion } from "./version.ts";
import type { Workflow } from "./workflow.ts";

/** What to run. */
export interface RunNightOptions {
  /** The night's folder. */
  readonly folder: string;
  /** The output folder, existing. */
  readonly out: string;
  /** Processing steps; null for those that the filters call for. */
  readonly workflow: Workflow | null;
  /** Receives progress. */
  readonly progress?: Progress;
  /** Receives remarks for the person. */
  readonly remark?: (text: string) => void;
}

/** What came of it. */
export interface NightOutcome {
  /** The main findings in sentences. */
  readonly summary: readonly string[];
  /** What to look at first. */
  readonly files: readonly { readonly file: string; readonly meaning: string }[];
  /** Lights that went into a stack. */
  readonly usableFrames: number;
}

const calibrationColumns = ["file", "kind", "filter", "exposure_s", "temperature_c", "used", "reason"] as const;

const calibrationCells = (row: CalibrationRow) => ({
  file: row.file,
  kind: row.kind,
  filter: row.filter,
  exposure_s: row.exposureSeconds,
  temperature_c: row.temperatureC,
  used: row.used ? "yes" : "no",
  reason: row.reason,
});

/** Run a night from raw frames to the picture. */
export function runNight(options: RunNightOptions): NightOutcome {
  const { folder, out, workflow, progress = silent, remark = () => {} } = options;
  const night = readNight(folder, { progress });
  const digests = digestFiles(night.records.map((record) => join(folder, record.file)), progress);
  const checkpoints = openCheckpoints(out, {
    version: libraryVersion,
    workflow,
    files: night.records.map((record, at) => [record.file, digests[at]]),
    unreadable: night.unreadable.map((each) => each.file),
  });
  const context: NightContext = {
    folder,
    out,
    checkpoints,
    digests: new Map(night.records.map((record, at) => [record.file, digests[at]])),
    progress,
    remark,
  };
  for (const { file, note } of night.notes) remark(`${file}: ${note}`);
  const plan = matchCalibration(night.records);
  writeWhole(join(out, "calibration.csv"), csvText(calibrationColumns, plan.rows.map(calibrationCells)));
  for (const { group, notes } of plan.matches) for (const note of notes) remark(`${group.name}: ${note}`);
  const masters = masterMaker(context);
  const lights: FrameRecord[] = [], corrections: (SensorCorrection | null)[] = [], keys: string[] = [];
  for (const match of plan.matches) {
    const correction = masters.correctionFor(match);
    const key = JSON.stringify(
      [match.dark, match.flat, match.bias, match.flatDark].map((set) =>
        set?.frames.map((record) => context.digests.get(record.file)) ?? null
      ),
    );
    for (const light of match.group.lights) {
      lights.push(light);
      corrections.push(correction);
      keys.push(key);
    }
  }
  const checked = checkLights(context, lights, corrections, keys);
  const unreadable = night.unreadable.map((each): FrameRow => ({
    file: each.file,
    weight: 0,
    verdict: "reject",
    cause: "corrupt file",
    evidence: each.message,
    remedy: "copy the file again; check the disk and the cable",
  }));
  const rows = [...checked.lights.map(frameRow), ...unreadable].sort((a, b) =>
    String(a.file) < String(b.file) ? -1 : 1
  );
  writeWhole(join(out, "frames.csv"), csvText(frameColumns, rows));
  writeWhole(join(out, "registration.csv"), csvText(registrationColumns, checked.lights.map(registrationRow)));
  const stacks = stackLights(context, checked.lights);
  return {
    summary: stacks.map((stack) => `${stack.name}: ${stack.lights.length} frames, ${stack.totalExposureSeconds} s`),
    files: [],
    usableFrames: stacks.reduce((sum, stack) => sum + stack.lights.length, 0),
  };
}
