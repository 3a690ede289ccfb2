/** Separable smoothing of a plane. */
import { borrowPlane } from "../core/memory.ts";
import { type Band, openBand, overBands } from "./bands.ts";
import { expPortable } from "./elementary.ts";
import { scratchFloats, withKernel } from "./machine.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { blurTwin } from "./blur.twin.ts";

interface BlurParameters {
  readonly width: number;
  readonly height: number;
  readonly taps: Float32Array;
}

/**
 * Rows worked on at a time, at least and at most: more than the weights reach beyond them, few enough to stay in the
 * second cache.
 */
const fewestRows = 32;
const mostRows = 64;

/** Rows from … to convolved along columns and rows, and whether a NaN was met; runs in a worker. */
export function blurBand(band: Band<BlurParameters>): boolean {
  const { read, write: [out], wasm } = openBand(band);
  const { from, to } = band;
  const { width, height, taps } = band.parameters;
  const source = read[0] as Float32Array;
  const radius = taps.length - 1;
  if (!wasm) return blurTwin(source, out, width, height, from, to, taps);
  const block = Math.min(mostRows, Math.max(fewestRows, 2 * radius), to - from);
  const pitch = (width + 2 * radius + 64 + 15) & ~15;
  const head = (taps.length + 15) & ~15;
  const tile = 64 * (block + 2 * radius);
  const bytes = 4 * (head + tile + block * pitch);
  let gaps = false;
  withKernel("blur", { a: source, o: out.subarray(from * width, to * width) }, bytes, (kernel, at) => {
    scratchFloats().set(taps, at.scratch / 4);
    const start = at.scratch + 4 * head;
    gaps = kernel(at.a, at.o, width, height, from, to, at.scratch, radius, block, start, start + 4 * tile, pitch) === 1;
  });
  return gaps;
}
const task: PoolTask<Band<BlurParameters>, boolean> = { module: import.meta.url, name: "blurBand", run: blurBand };

/**
 * Weights of a Gaussian for {@linkcode blurPlane}: middle one first, cut at `reach` sigma, sum over both sides 1. Cut
 * at 3.2 sigma 0.14 % of its weight lies outside.
 */
export function gaussianTaps(sigma: number, reach: number = 3.2): Float32Array {
  const radius = Math.max(1, Math.ceil(reach * sigma));
  const taps = new Float64Array(radius + 1);
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
 * As {@linkcode blurPlane} into `out`; returns whether `source` holds a NaN, which the convolution finds without
 * another pass.
 */
export function blurInto(
  source: Float32Array,
  width: number,
  height: number,
  taps: Float32Array,
  out: Float32Array,
): boolean {
  return overBands(task, height, 2 * width * taps.length, [source], [out], { width, height, taps }).includes(true);
}

/**
 * Convolve a plane along its columns and then its rows with the same symmetric weights, mirrored at the edges without
 * repeating the outermost sample. In float32; NaN spreads over the weights' reach. Cost: 2 · taps multiplications and
 * additions a pixel.
 *
 * @param taps weights, the middle one first
 * @param out receives the result; a fresh shared plane if left out; not `source`
 */
export function blurPlane(
  source: Float32Array,
  width: number,
  height: number,
  taps: Float32Array,
  out: Float32Array = borrowPlane(width * height),
): Float32Array {
  blurInto(source, width, height, taps, out);
  return out;
}
