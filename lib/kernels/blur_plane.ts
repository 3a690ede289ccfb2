/** Separable smoothing of a plane. */
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { type Band, openBand, overBands } from "./bands.ts";
import { expPortable } from "./elementary.ts";
import { withKernel } from "./machine.ts";
import type { PoolTask } from "./pool.ts";
import { blurColumnsTwin, blurRowsTwin } from "./twin.ts";

interface BlurParameters {
  readonly width: number;
  readonly height: number;
  readonly taps: Float32Array;
}

/** Rows from … to convolved along rows; runs in a worker. */
export function blurRowsBand(band: Band<BlurParameters>): void {
  const { read, write: [out], wasm } = openBand(band), { from, to } = band;
  const { width, taps } = band.parameters, source = read[0] as Float32Array, radius = taps.length - 1;
  if (!wasm) return blurRowsTwin(source, out, width, from, to, taps);
  const table = new Float32Array(taps.length + width + 2 * radius);
  table.set(taps);
  withKernel("blurRows", { a: source, o: out.subarray(from * width, to * width) }, table, (kernel, at) => {
    kernel(at.a, at.o, width, from, to, at.scratch, radius, at.scratch + 4 * taps.length);
  });
}
const alongRows: PoolTask<Band<BlurParameters>, void> = {
  module: import.meta.url,
  name: "blurRowsBand",
  run: blurRowsBand,
};

/** Rows from … to convolved along columns; runs in a worker. */
export function blurColumnsBand(band: Band<BlurParameters>): void {
  const { read, write: [out], wasm } = openBand(band), { from, to } = band;
  const { width, height, taps } = band.parameters, source = read[0] as Float32Array, radius = taps.length - 1;
  if (!wasm) return blurColumnsTwin(source, out, width, height, from, to, taps);
  const table = new Float32Array(taps.length + to - from + 2 * radius);
  table.set(taps);
  withKernel("blurColumns", { a: source, o: out.subarray(from * width, to * width) }, table, (kernel, at) => {
    kernel(at.a, at.o, width, height, from, to, at.scratch, radius, at.scratch + 4 * taps.length);
  });
}
const alongColumns: PoolTask<Band<BlurParameters>, void> = {
  module: import.meta.url,
  name: "blurColumnsBand",
  run: blurColumnsBand,
};

/**
 * Weights of a Gaussian for {@linkcode blurPlane}: middle one first, cut at `reach` sigma, sum over both sides 1. Cut at 3.2 sigma
 * 0.14 % of its weight lies outside.
 */
export function gaussianTaps(sigma: number, reach: number = 3.2): Float32Array {
  const radius = Math.max(1, Math.ceil(reach * sigma)), taps = new Float64Array(radius + 1);
  let sum = 0;
  for (let k = 0; k <= radius; k++) {
    taps[k] = expPortable(-0.5 * k * k / (sigma * sigma));
    sum += k === 0 ? taps[k] : 2 * taps[k];
  }
  return Float32Array.from(taps, (each) => each / sum);
}

/** Weights of a mean over 2 · radius + 1 samples for {@linkcode blurPlane}. */
export const boxTaps = (radius: number): Float32Array => new Float32Array(radius + 1).fill(1 / (2 * radius + 1));

/**
 * Convolve a plane along its rows and then its columns with the same symmetric weights, mirrored at the edges without repeating
 * the outermost sample. In float32; NaN spreads over the weights' reach. Cost: 2 · taps multiplications and additions a pixel.
 *
 * @param taps weights, the middle one first
 * @param out receives the result; a fresh shared plane if left out; may be `source`
 */
export function blurPlane(
  source: Float32Array,
  width: number,
  height: number,
  taps: Float32Array,
  out: Float32Array = borrowPlane(width * height),
): Float32Array {
  const half = borrowPlane(width * height), cost = width * taps.length;
  overBands(alongRows, height, cost, [source], [half], { width, height, taps });
  overBands(alongColumns, height, cost, [half], [out], { width, height, taps });
  returnPlane(half);
  return out;
}
