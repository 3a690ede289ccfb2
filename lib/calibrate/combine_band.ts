/** A band of rows of a master: read from every frame, outliers rejected, the rest averaged; runs in a worker. */
import type { Region } from "../core/geometry.ts";
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { openPixels } from "../io/pixel_source.ts";
import { huberVerdicts, noiseVerdicts, type Strip } from "../kernels/rejection.ts";
import { sumKept } from "../kernels/sum_kept.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { phaseAt, type Phases } from "./phase_levels.ts";

/**
 * From this many frames on a pixel's own scatter judges its samples; below, the noise measured over the whole frame
 * does, because the scatter of so few samples hides an outlier among them (its limit would be above 4 sigma, see
 * huberLimit).
 */
export const manyFrames = 8;

/** One frame on its way into a master. */
export interface MasterInput {
  /** Path of the file, or the samples of an image in memory. */
  readonly source: string | Float32Array;
  /** Factor of each phase that is applied after the subtraction. */
  readonly factors: readonly number[];
  /** Variance of the noise of the frame after that. */
  readonly variance: number;
}

/** A band of rows to combine; plain values and shared arrays only. */
export interface BandJob {
  readonly inputs: readonly MasterInput[];
  readonly width: number;
  readonly y: number;
  readonly rows: number;
  readonly phases: Phases;
  readonly subtract: Float32Array | null;
  readonly limits: Float64Array;
  readonly fewLimit: number;
  readonly floor: number;
  readonly mean: Float32Array;
  readonly spread: Float32Array;
  readonly seen: Float32Array;
}

/** Numbers of samples of a band. */
export interface BandResult {
  readonly dimmer: number;
  readonly brighter: number;
  readonly samples: number;
}

/** Read and combine one band of rows; runs in a worker. */
export function combineBand(job: BandJob): BandResult {
  const { inputs, width, y, rows, phases, subtract, limits, floor } = job;
  const frames = inputs.length;
  const count = width * rows;
  const first = y * width;
  // An odd number of cache lines between frames keeps them out of each other's cache sets.
  const stride = Math.ceil(count / 32) * 32 + 16;
  const samples = borrowPlane(frames * stride);
  const marks = borrowPlane(frames * stride / 4);
  const padded = (count + 3) & ~3;
  const memory = { values: borrowPlane(5 * padded), counts: borrowPlane(3 * padded) };
  inputs.forEach(({ source, factors }, f) => {
    const raw = typeof source === "string"
      ? readBand(source, { x: 0, y, width, height: rows })
      : source.subarray(first, first + count);
    const plain = subtract === null && factors.every((each) => each === 1);
    if (plain) {
      samples.set(raw, f * stride);
      return;
    }
    for (let row = 0, p = 0; row < rows; row++) {
      for (let x = 0; x < width; x++, p++) {
        const level = subtract === null ? 0 : subtract[first + p];
        samples[f * stride + p] = (raw[p] - level) * factors[phaseAt(x, y + row, phases)];
      }
    }
  });
  const strip: Strip = { samples, frames, stride, count };
  const verdicts = new Uint8Array(marks.buffer, 0, frames * stride);
  huberVerdicts(strip, limits, floor, verdicts);
  const skyVariance = Float64Array.from(inputs, (each) => each.variance);
  const model = { skyVariance, perUnit: new Float64Array(frames), sky: 0, seeing: 0 };
  noiseVerdicts(strip, model, job.fewLimit, job.fewLimit, manyFrames - 1, verdicts);
  const sums = sumKept(strip, verdicts, new Float64Array(frames).fill(1), memory);
  job.mean.set(sums.mean, first);
  job.spread.set(sums.variance, first);
  job.seen.set(sums.kept, first);
  let kept = 0;
  let dimmer = 0;
  let brighter = 0;
  for (let p = 0; p < count; p++) {
    kept += sums.kept[p];
    dimmer += sums.dimmer[p];
    brighter += sums.brighter[p];
  }
  for (const each of [samples, marks, memory.values, memory.counts]) returnPlane(each);
  return { dimmer, brighter, samples: kept + dimmer + brighter };
}

function readBand(path: string, region: Region): Float32Array {
  const open = openPixels(path);
  try {
    return open.readRegion(region, 0);
  } finally {
    open.close();
  }
}

/** The work of a band, for the pool. */
export const bandTask: PoolTask<BandJob, BandResult> = {
  module: import.meta.url,
  name: "combineBand",
  run: combineBand,
};
