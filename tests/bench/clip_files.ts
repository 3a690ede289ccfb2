/** A band of a rejecting mean of frames in raw float files, as a night's integration does it; workers import this module. */
import { closeSync, openSync, readSync } from "node:fs";
import { borrowPlane, returnPlane } from "../../lib/core/memory.ts";
import { type Packed, unpack } from "../../lib/kernels/bands.ts";
import { type KernelKind, setKernelKind } from "../../lib/kernels/machine.ts";
import type { PoolTask } from "../../lib/kernels/pool.ts";
import { rejectingMean, type RejectionRule, stripStride } from "../../lib/kernels/rejecting_mean.ts";

export interface ClipJob {
  readonly files: readonly string[];
  readonly width: number;
  readonly from: number;
  readonly to: number;
  readonly rule: RejectionRule;
  readonly out: Packed;
  readonly kind: KernelKind;
}

export function clipFiles(job: ClipJob): void {
  setKernelKind(job.kind);
  const { files, width, from, to, rule } = job, frames = files.length, out = unpack<Float32Array>(job.out);
  // About 64 MB of strips at a time.
  const rows = Math.max(1, Math.min(to - from, Math.floor(2 ** 24 / (frames * width)))),
    stride = stripStride(rows * width);
  const samples = borrowPlane(frames * stride), results = borrowPlane(5 * 8 * Math.ceil(rows * width / 8));
  const handles = files.map((file) => openSync(file, "r")), weights = files.map(() => 1);
  for (let y = from; y < to; y += rows) {
    const count = Math.min(rows, to - y) * width;
    handles.forEach((handle, k) => {
      readSync(handle, new Uint8Array(samples.buffer, 4 * k * stride, 4 * count), 0, 4 * count, 4 * y * width);
    });
    const { mean } = rejectingMean(samples, frames, stride, count, weights, rule, 3, 3, 5, results);
    out.set(mean, y * width);
  }
  handles.forEach(closeSync);
  returnPlane(samples);
  returnPlane(results);
}
export const clipTask: PoolTask<ClipJob, void> = { module: import.meta.url, name: "clipFiles", run: clipFiles };
