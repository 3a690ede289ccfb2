/** A calibration frame that was measured, and what can be wrong with it. */
import type { FrameRecord } from "../core/frame_record.ts";
import type { CalibrationQuality } from "../measure/measure_calibration.ts";

/** A calibration frame with its measurements. */
export interface AuditInput {
  /** The file and its facts. */
  readonly record: FrameRecord;
  /** What its pixels tell. */
  readonly quality: CalibrationQuality;
}

/** What can be wrong. */
export type CalibrationProblem =
  | "over-exposed flat"
  | "under-exposed flat"
  | "wrong filter"
  | "dust moved"
  | "light leak"
  | "warm dark"
  | "wrong exposure"
  | "amplifier glow"
  | "cut off at the low end"
  | "too few frames"
  | "Bayer phase contradicts the header";

/** One finding. */
export interface CalibrationFinding {
  /** The file, or the first of the set for findings on a whole set. */
  readonly file: string;
  /** What is wrong. */
  readonly problem: CalibrationProblem;
  /** Whether the frame should be left out (`refuse`) or a person should know (`warn`). */
  readonly severity: "refuse" | "warn";
  /** The numbers. */
  readonly evidence: string;
  /** What to do. */
  readonly remedy: string;
}

/** A finding on a frame, or on the set whose first frame it is. */
export const findingOn = ({ record }: AuditInput, finding: Omit<CalibrationFinding, "file">): CalibrationFinding => ({
  file: record.file,
  ...finding,
});

/** A share as percent. */
export const percent = (share: number, digits = 0): string => `${(share * 100).toFixed(digits)} %`;

/** A level to a tenth. */
export const tenth = (value: number): string => String(Math.round(value * 10) / 10);
