/** How far each pixel stands out from its neighbours of the same colour, on all processors. */
import { allocatePlane } from "../core/image.ts";
import { localMedian } from "../kernels/local_median.ts";
import { parallelMap, type PoolTask } from "../kernels/pool.ts";

interface Job {
  readonly samples: Float32Array;
  readonly width: number;
  readonly height: number;
  readonly radius: number;
  readonly step: number;
  readonly own: boolean;
  readonly from: number;
  readonly to: number;
  readonly out: Float32Array;
}

/** One band of rows; runs in a worker. */
export function medianBand(job: Job): null {
  const { samples, width, height, radius, step, own, from, to } = job;
  localMedian(samples, width, height, radius, step, own, from, to, job.out.subarray(from * width, to * width));
  return null;
}

const task: PoolTask<Job, null> = { module: import.meta.url, name: "medianBand", run: medianBand };

/** Median of each pixel's (2r + 1)² neighbourhood, see {@linkcode localMedian}. */
export function medianPlane(
  samples: Float32Array,
  width: number,
  height: number,
  radius: number,
  step: number,
  own: boolean,
): Float32Array {
  const out = allocatePlane(width, height);
  let input = samples;
  if (!(samples.buffer instanceof SharedArrayBuffer)) {
    input = allocatePlane(width, height);
    input.set(samples);
  }
  const rows = Math.max(1, Math.ceil(262144 / width));
  const jobs: Job[] = [];
  for (let from = 0; from < height; from += rows) {
    jobs.push({ samples: input, width, height, radius, step, own, from, to: Math.min(height, from + rows), out });
  }
  parallelMap(task, jobs, { label: "medians" });
  return out;
}
