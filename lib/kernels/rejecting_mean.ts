/** Mean of many frames with outliers left out, pixel by pixel. */
import { borrowPlane } from "../core/memory.ts";
import { type Band, openBand, overBands } from "./bands.ts";
import { withKernel } from "./machine.ts";
import type { PoolTask } from "./pool.ts";
import { rejectingMeanTwin } from "./twin.ts";

/**
 * How outliers are told. `mean`: rounds of mean and standard deviation until nothing changes. `median`: once about the median,
 * scale 1.4826 MAD. `huber`: once about the location and scale of Huber's Proposal 2 (1981, chapter 6; corner 1.5). `none`.
 */
export type RejectionRule = "none" | "mean" | "median" | "huber";

/** Results of {@linkcode rejectingMean}; views of one buffer. */
export interface RejectedMean {
  /** Weighted mean of the samples that stayed; NaN where none has data. */
  readonly mean: Float32Array;
  /** Sum of their weights. */
  readonly weight: Float32Array;
  /** Samples left out below. */
  readonly dimmer: Float32Array;
  /** Samples left out above. */
  readonly brighter: Float32Array;
  /** Variance of the mean from the scatter of its samples; NaN or infinite for fewer than two. */
  readonly variance: Float32Array;
}

interface MeanParameters {
  readonly frames: number;
  readonly stride: number;
  readonly weights: readonly number[];
  readonly below: number;
  readonly above: number;
  readonly rounds: number;
  readonly rule: number;
  readonly plane: number;
}

const codes: Readonly<Record<RejectionRule, number>> = { none: 0, mean: 1, median: 2, huber: 3 };

/** Groups of 8 pixels from … to of a band; runs in a worker. */
export function rejectingBand(band: Band<MeanParameters>): void {
  const { read, write: [out], wasm } = openBand(band), from = 8 * band.from, to = 8 * band.to;
  const { frames, stride, weights, below, above, rounds, rule, plane } = band.parameters;
  const samples = read[0] as Float32Array, table = Float32Array.from(weights);
  if (!wasm) return rejectingMeanTwin(samples, frames, stride, from, to, table, below, above, rounds, rule, out, plane);
  withKernel("rejectingMean", { a: samples, o: out }, table, (kernel, at) => {
    const a = at.a + 4 * from, o = at.o + 4 * from;
    kernel(a, frames, 4 * stride, to - from, at.scratch, below, above, rounds, rule, o, 4 * plane);
  });
}
const task: PoolTask<Band<MeanParameters>, void> = {
  module: import.meta.url,
  name: "rejectingBand",
  run: rejectingBand,
};

/** Samples from one frame to the next: a whole number of pixel groups, and an odd number of cache lines, because strips a
 * multiple of 4096 bytes apart would compete for one set of the cache (1.8 times as slow). */
export const stripStride = (pixels: number): number => 16 * (Math.ceil(pixels / 16) | 1);

/**
 * Weighted mean of n frames at each pixel without outliers. NaN samples do not count. At least max(3, half) of the samples with
 * data stay; where a rule would leave fewer, its last step is undone. Sums in float32 about a sample from the middle.
 *
 * @param samples frame behind frame, `stride` samples apart; as much shared memory as {@linkcode borrowPlane} gives is used in
 *   place
 * @param frames number of frames
 * @param stride from {@linkcode stripStride}
 * @param pixels pixels of the strip
 * @param weights one a frame
 * @param rule how outliers are told
 * @param below limit in units of the scale, towards dimmer
 * @param above limit towards brighter
 * @param rounds most rounds of the rule `mean`
 */
export function rejectingMean(
  samples: Float32Array,
  frames: number,
  stride: number,
  pixels: number,
  weights: readonly number[],
  rule: RejectionRule,
  below: number,
  above: number,
  rounds: number = 5,
  out: Float32Array = borrowPlane(5 * 8 * Math.ceil(pixels / 8)),
): RejectedMean {
  const groups = Math.ceil(pixels / 8), plane = 8 * groups;
  if (!(stride >= plane && stride % 4 === 0 && samples.length >= frames * stride)) {
    throw new RangeError(
      `rejectingMean: stride must be a multiple of 4 and at least ${plane}, but got ${stride}; use stripStride`,
    );
  }
  const parameters = { frames, stride, weights: [...weights], below, above, rounds, rule: codes[rule], plane };
  overBands(task, groups, 8 * frames, [samples], [out], parameters);
  const part = (k: number) => out.subarray(k * plane, k * plane + pixels);
  return { mean: part(0), weight: part(1), dimmer: part(2), brighter: part(3), variance: part(4) };
}
