/** What calibrates which lights: the result of choosing among the calibration frames of a night. */
import type { FrameKind, FrameRecord } from "../core/frame_record.ts";
import type { LightGroup } from "./group_lights.ts";

/** Frames to combine to one master, or a ready-made one. */
export interface CalibrationSet {
  /** What they are. */
  readonly kind: "dark" | "flat" | "bias" | "flat-dark";
  /** The files; one when `master`. */
  readonly frames: readonly FrameRecord[];
  /** Whether it is a ready-made master. */
  readonly master: boolean;
  /** Factor on the dark current (exposure of the light over that of the dark); 1 unless scaled. */
  readonly scale: number;
}

/** What belongs to one group of lights. */
export interface CalibrationMatch {
  /** The lights. */
  readonly group: LightGroup;
  /** Darks; null when none fits. */
  readonly dark: CalibrationSet | null;
  /** Flats; null when none fits. */
  readonly flat: CalibrationSet | null;
  /** Bias; null when none fits. */
  readonly bias: CalibrationSet | null;
  /** What to take off the flats: flat-darks, else darks of their exposure, else bias; null when nothing fits. */
  readonly flatDark: CalibrationSet | null;
  /** What a person should know: what is missing, what is second best. */
  readonly notes: readonly string[];
}

/** One line of `calibration.csv`. */
export interface CalibrationRow {
  /** Path of the file. */
  readonly file: string;
  /** What it is. */
  readonly kind: FrameKind;
  /** Filter. */
  readonly filter: string;
  /** Exposure, seconds. */
  readonly exposureSeconds: number | null;
  /** Sensor temperature, °C. */
  readonly temperatureC: number | null;
  /** Whether a master holds it. */
  readonly used: boolean;
  /** For which lights, or why not. */
  readonly reason: string;
}

/** Result of `matchCalibration`. */
export interface CalibrationPlan {
  /** One entry a group of lights. */
  readonly matches: readonly CalibrationMatch[];
  /** One row a calibration file, in the order given. */
  readonly rows: readonly CalibrationRow[];
}
