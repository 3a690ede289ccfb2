/** Convolution of a plane with a small picture of a point. */
import { borrowPlane } from "../core/memory.ts";
import { type Band, openBand, overBands } from "./bands.ts";
import { scratchFloats, withKernel } from "./machine.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { convolveTwin } from "./convolve.twin.ts";

/** Weights by their offset from the middle; those at opposite offsets are equal, and given once. */
export interface PointSpread {
  /** Furthest offset along either axis, pixels. */
  readonly radius: number;
  /** Weight of the middle. */
  readonly middle: number;
  /** Offset along columns of one weight of each pair. */
  readonly x: Int32Array;
  /** The same along rows. */
  readonly y: Int32Array;
  /** Weight of each of the two. */
  readonly weights: Float32Array;
}

interface ConvolveParameters {
  readonly width: number;
  readonly height: number;
  readonly spread: PointSpread;
}

/** Rows and columns worked on at a time: with what lies about them they fit the second cache. */
const blockRows = 32;
const blockColumns = 512;

/** Rows from … to of a band; runs in a worker. */
export function convolveBand(band: Band<ConvolveParameters>): void {
  const { read, write: [out], wasm } = openBand(band);
  const { from, to, parameters: { width, height, spread } } = band;
  const { radius, middle, x, y, weights } = spread;
  const source = read[0] as Float32Array;
  const pairs = weights.length;
  if (!wasm) return convolveTwin(source, out, width, height, from, to, middle, x, y, weights);
  const block = Math.min(blockRows, to - from);
  const side = Math.min(blockColumns, (width + 31) & ~31);
  const pitch = side + 2 * radius + 16;
  const head = (2 * pairs + 1 + 15) & ~15;
  const bytes = 4 * (head + (block + 2 * radius + 1) * pitch);
  withKernel("convolvePairs", { a: source, o: out.subarray(from * width, to * width) }, bytes, (kernel, at) => {
    const scratch = scratchFloats();
    new Int32Array(scratch.buffer, at.scratch, pairs).set(x.map((dx, k) => 4 * (dx + y[k] * pitch)));
    scratch[at.scratch / 4 + pairs] = middle;
    scratch.set(weights, at.scratch / 4 + pairs + 1);
    const table = [at.scratch, at.scratch + 4 * pairs, at.scratch + 4 * head];
    kernel(at.a, at.o, width, height, from, to, radius, pairs, ...table, pitch, block, side);
  });
}
const task: PoolTask<Band<ConvolveParameters>, void> = {
  module: import.meta.url,
  name: "convolveBand",
  run: convolveBand,
};

/**
 * Convolve a plane with a point's picture that is the same on opposite sides, mirrored at the edges without repeating
 * the outermost sample; as the weights are symmetric this is the adjoint (but for the edges) as well. In float32; NaN
 * spreads over the weights' reach. Cost: about three operations a pixel and pair of weights, four pixels at a time:
 * with 158 pairs (21 pixels across) as long as scipy's Fourier transforms take, less for smaller pictures of a point,
 * and without their periodic edges.
 *
 * @param out receives the result; a fresh shared plane if left out; not `source`
 */
export function convolvePlane(
  source: Float32Array,
  width: number,
  height: number,
  spread: PointSpread,
  out: Float32Array = borrowPlane(width * height),
): Float32Array {
  overBands(task, height, width * spread.weights.length, [source], [out], { width, height, spread });
  return out;
}
