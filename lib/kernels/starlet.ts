/** One scale of the starlet transform. */
import { borrowPlane } from "../core/memory.ts";
import { type Band, openBand, overBands } from "./bands.ts";
import { withKernel } from "./machine.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { starletTwin } from "./starlet.twin.ts";

interface StarletParameters {
  readonly width: number;
  readonly height: number;
  readonly step: number;
}

/** Rows from … to of a band; runs in a worker. */
export function starletBand(band: Band<StarletParameters>): void {
  const { read, write: [smooth, detail], wasm } = openBand(band);
  const { from, to } = band;
  const { width, height, step } = band.parameters;
  const source = read[0] as Float32Array;
  if (!wasm) return starletTwin(source, smooth, detail, width, height, step, from, to);
  const o = smooth.subarray(from * width, to * width);
  const p = detail.subarray(from * width, to * width);
  withKernel("starlet", { a: source, o, p }, 4 * (width + 4 * step + 8), (kernel, at) => {
    kernel(at.a, at.o, at.p, at.scratch, width, height, step, from, to);
  });
}
const task: PoolTask<Band<StarletParameters>, void> = {
  module: import.meta.url,
  name: "starletBand",
  run: starletBand,
};

/**
 * Split a plane into a smoother one and the detail between them: taps 1 4 6 4 1 / 16 along both axes, `step` pixels
 * apart, mirrored at the edges (Starck & Murtagh 2002). smooth + detail is the plane to the last bit but rounding; NaN
 * spreads over the taps' reach.
 *
 * @param step distance of the taps: 2^j at scale j, counted from 0
 * @param smooth receives the smooth plane, `detail` the difference; fresh shared planes if left out
 */
export function starletScale(
  source: Float32Array,
  width: number,
  height: number,
  step: number,
  smooth: Float32Array = borrowPlane(width * height),
  detail: Float32Array = borrowPlane(width * height),
): { readonly smooth: Float32Array; readonly detail: Float32Array } {
  overBands(task, height, width, [source], [smooth, detail], { width, height, step });
  return { smooth, detail };
}
