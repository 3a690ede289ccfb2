/** The tables of a run: every light, every calibration file, every map, written as soon as they are known. */
import { canonicalJson } from "../core/options.ts";
import type { UnreadableFrame } from "../io/list_frames.ts";
import type { OutputFiles } from "../io/output_files.ts";
import { remedies } from "../night/causes/cause_rules.ts";
import type { CalibrationRow } from "../night/calibration_plan.ts";
import {
  type CheckedLight,
  frameColumns,
  type FrameRow,
  frameRow,
  registrationColumns,
  registrationRow,
} from "./check_lights.ts";
import { csvText } from "./csv.ts";

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

/** Write `calibration.csv`. */
export const writeCalibrationTable = (output: OutputFiles, rows: readonly CalibrationRow[]): void =>
  output.write("calibration.csv", csvText(calibrationColumns, rows.map(calibrationCells)));

const unreadableRow = ({ file, message }: UnreadableFrame): FrameRow => ({
  file,
  weight: 0,
  verdict: "reject",
  cause: "corrupt file",
  evidence: message,
  remedy: remedies["corrupt file"],
});

/** Write `frames.csv`, `registration.csv` and `registration.json`. */
export function writeLightTables(
  output: OutputFiles,
  lights: readonly CheckedLight[],
  unreadable: readonly UnreadableFrame[],
): void {
  const rows = [...lights.map(frameRow), ...unreadable.map(unreadableRow)].sort((a, b) =>
    String(a.file) < String(b.file) ? -1 : 1
  );
  output.write("frames.csv", csvText(frameColumns, rows));
  output.write("registration.csv", csvText(registrationColumns, lights.map(registrationRow)));
  const transforms = Object.fromEntries(
    lights.map(({ record, registration }) => [record.file, registration?.transform ?? null] as const),
  );
  output.write("registration.json", `${canonicalJson(transforms)}\n`);
}
