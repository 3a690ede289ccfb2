/** A light as the diagnosis of a night takes it. */
import type { FrameRecord } from "../core/frame_record.ts";
import type { FrameQuality } from "../measure/measure_frame.ts";

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
  /**
   * Level of a frame without light and of equal exposure, in the unit of the measurement: 0 for calibrated frames;
   * null when not known.
   */
  readonly darkLevel?: number | null;
  /** What is wrong with its calibration; null or left out when nothing is. */
  readonly calibrationProblem?: string | null;
}
