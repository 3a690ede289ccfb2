/** One light, read, calibrated and measured: the piece of work that the pool does for each file of a night. */
import type { FrameFacts } from "../core/frame_record.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { lostRowShare } from "../measure/lost_rows.ts";
import { failureOf } from "./fence.ts";
import { type FrameQuality, measureFrame } from "../measure/measure_frame.ts";
import { thumbnail } from "../view/thumbnail.ts";
import type { EncodedPicture } from "../view/sheet.ts";
import { calibrateLight, type LightSource, readRawLight } from "./calibrate_light.ts";

/** What to measure. */
export interface MeasureLightJob extends LightSource {
  /** Facts of its header. */
  readonly facts: FrameFacts;
  /** Width of its small picture, pixels; null for none. */
  readonly thumbnailWidth: number | null;
}

/** What came of it: a measurement, or why there is none. */
export type MeasuredLight =
  | {
    readonly quality: FrameQuality;
    readonly thumbnail: EncodedPicture | null;
    readonly failure: null;
    readonly notes: readonly string[];
  }
  | { readonly quality: null; readonly thumbnail: null; readonly failure: string; readonly notes: readonly string[] };

/** Measure one light. A file that cannot be used is an answer, not an end. */
export function measureLight(job: MeasureLightJob): MeasuredLight {
  try {
    const raw = readRawLight(job);
    const light = calibrateLight(raw, job);
    const quality = measureFrame(light, job.facts);
    const notes = raw.history.nodes.filter(({ step }) => step === "readFits" || step === "markMissing")
      .flatMap((node) => node.notes);
    // calibration turns constant rows into the pattern of the masters: the raw frame tells
    const constantShare = Math.max(quality.constantShare, lostRowShare(raw));
    const small = job.thumbnailWidth === null ? null : thumbnail(light, { width: job.thumbnailWidth });
    return { quality: { ...quality, constantShare }, thumbnail: small, failure: null, notes };
  } catch (error) {
    return { quality: null, thumbnail: null, failure: failureOf(job.path, error), notes: [] };
  }
}

/** The task for the pool. */
export const measureLightTask: PoolTask<MeasureLightJob, MeasuredLight> = {
  module: import.meta.url,
  name: "measureLight",
  run: measureLight,
};
