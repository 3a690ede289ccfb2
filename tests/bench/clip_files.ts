/**
 * A band of a stack of frames in raw float files, judged and summed as integration does it; workers import this
 * module.
 */
import { closeSync, openSync, readSync } from "node:fs";
import "../../lib/host/deno.ts";
import { borrowPlane, returnPlane } from "../../lib/core/memory.ts";
import { type Packed, unpack } from "../../lib/kernels/bands.ts";
import { type KernelKind, setKernelKind } from "../../lib/kernels/machine.ts";
import { groupedPixels, moderatedCentres, moderatedVerdicts } from "../../lib/kernels/moderate.ts";
import type { PoolTask } from "../../lib/parallel/pool.ts";
import { sumKept } from "../../lib/kernels/sum_kept.ts";
import { moderatedLimits, priorFreedom } from "../../lib/stats/moderated_limit.ts";

export interface ClipJob {
  readonly files: readonly string[];
  readonly width: number;
  readonly from: number;
  readonly to: number;
  /** Standard deviation of a sample. */
  readonly noise: number;
  /** Level of the sky. */
  readonly sky: number;
  readonly out: Packed;
  readonly kind: KernelKind;
}

export function clipFiles(job: ClipJob): void {
  setKernelKind(job.kind);
  const { files, width, from, to, noise, sky } = job;
  const frames = files.length;
  const out = unpack<Float32Array>(job.out);
  // About 32 MB of strips at a time, an odd number of cache lines from one to the next.
  const rows = Math.max(1, Math.min(to - from, Math.floor(2 ** 23 / (frames * width))));
  const most = rows * width;
  const stride = Math.ceil(most / 32) * 32 + 16;
  const padded = groupedPixels(most);
  const samples = borrowPlane(frames * stride);
  const marks = borrowPlane(frames * stride / 4);
  const data = borrowPlane(3 * padded);
  const base = borrowPlane(padded).fill(noise ** 2);
  const level = borrowPlane(padded).fill(sky);
  const none = borrowPlane(padded).fill(0);
  const memory = { values: borrowPlane(5 * padded), counts: borrowPlane(3 * padded) };
  const verdicts = new Uint8Array(marks.buffer, 0, frames * stride);
  const ratios = new Float32Array(frames).fill(1);
  const limits = moderatedLimits(frames, 0.001);
  const weights = new Float64Array(frames).fill(1);
  const handles = files.map((file) => openSync(file, "r"));
  for (let y = from; y < to; y += rows) {
    const count = Math.min(rows, to - y) * width;
    const strip = { samples, frames, stride, count };
    handles.forEach((handle, k) => {
      readSync(handle, new Uint8Array(samples.buffer, 4 * k * stride, 4 * count), 0, 4 * count, 4 * y * width);
    });
    const centres = moderatedCentres(strip, { base, level, perUnit: 0, prior: priorFreedom, ratios }, limits, data);
    moderatedVerdicts(strip, centres, none, ratios, verdicts);
    out.set(sumKept(strip, verdicts, weights, memory).mean, y * width);
  }
  handles.forEach(closeSync);
  for (const each of [samples, marks, data, base, level, none, memory.values, memory.counts]) returnPlane(each);
}
export const clipTask: PoolTask<ClipJob, void> = { module: import.meta.url, name: "clipFiles", run: clipFiles };
