/** Jobs for the tests of the pool: workers import this module. */
import { readFileSync } from "node:fs";
import { FrameError } from "../../lib/core/errors.ts";
import { parallelMap, type PoolTask, workerCount } from "../../lib/parallel/pool.ts";

export interface Fill {
  readonly out: Int32Array;
  readonly from: number;
  readonly to: number;
  readonly value: number;
  /** Loop turns to waste on each sample. */
  readonly toil: number;
}

/** Writes value into out[from … to), slowly. */
export function fill(job: Fill): number {
  let x = 1;
  for (let i = job.from; i < job.to; i++) {
    for (let k = 0; k < job.toil; k++) x = (x * 16807) % 2147483647;
    job.out[i] = job.value + (x < 0 ? 1 : 0);
  }
  return job.from;
}
export const fillTask: PoolTask<Fill, number> = { module: import.meta.url, name: "fill", run: fill };

export function fail(job: { readonly kind: string; readonly index: number }): number {
  if (job.kind === "frame") throw new FrameError(`night/${job.index}.fits`, "truncated", "ends early", "copy it again");
  if (job.kind === "range") throw new RangeError(`fail: index must be even, but got ${job.index}`);
  if (job.kind === "cause") throw new TypeError("fail: outer", { cause: new RangeError("fail: inner") });
  if (job.kind === "text") throw "plain text";
  if (job.kind === "function") return (() => 1) as unknown as number;
  return job.index;
}
export const failTask: PoolTask<{ kind: string; index: number }, number> = {
  module: import.meta.url,
  name: "fail",
  run: fail,
};

/** A job that hands out work itself. */
export function nest(job: number): { readonly workers: number; readonly sum: number } {
  const parts = parallelMap(squareTask, [job, job + 1, job + 2]);
  return { workers: workerCount(), sum: parts.reduce((a, b) => a + b) };
}
export const nestTask: PoolTask<number, { readonly workers: number; readonly sum: number }> = {
  module: import.meta.url,
  name: "nest",
  run: nest,
};

export const square = (x: number): number => x * x;
export const squareTask: PoolTask<number, number> = { module: import.meta.url, name: "square", run: square };

/** First characters of a file, for the test of permissions. */
export const head = (path: string): string => readFileSync(path, "utf8").slice(0, 20);
export const headTask: PoolTask<string, string> = { module: import.meta.url, name: "head", run: head };
