/** Resampling of a whole plane by a matrix. */
import { borrowPlane } from "../core/memory.ts";
import type { Matrix3 } from "../core/transform.ts";
import { type Band, openBand, overBands } from "./bands.ts";
import { sinPortable } from "./elementary.ts";
import { withKernel } from "./machine.ts";
import type { PoolTask } from "./pool.ts";
import { warpPhases, warpTwin } from "./twin.ts";

/** Interpolation of {@linkcode warpPlane}. */
export type PlaneKernel = "lanczos3" | "cubic" | "bilinear" | "nearest";

const tables = new Map<PlaneKernel, Float32Array>();

/**
 * Weights of 6 taps at positions −2 … 3 for each sub-pixel position, 8 floats each, summing to 1: Lanczos-3, the cubic of Keys
 * 1981 (a = −1/2), linear, nearest.
 */
export function warpTable(kernel: PlaneKernel): Float32Array {
  const known = tables.get(kernel);
  if (known !== undefined) return known;
  const table = new Float32Array(8 * (warpPhases + 1));
  const sinc = (x: number) => x === 0 ? 1 : sinPortable(Math.PI * x) / (Math.PI * x);
  const value = (x: number): number => {
    const a = Math.abs(x);
    if (kernel === "lanczos3") return a < 3 ? sinc(x) * sinc(x / 3) : 0;
    if (kernel === "cubic") return a < 1 ? (1.5 * a - 2.5) * a * a + 1 : a < 2 ? ((-0.5 * a + 2.5) * a - 4) * a + 2 : 0;
    if (kernel === "bilinear") return Math.max(0, 1 - a);
    return x >= -0.5 && x < 0.5 ? 1 : 0;
  };
  for (let phase = 0; phase <= warpPhases; phase++) {
    const t = phase / warpPhases, weights = [0, 1, 2, 3, 4, 5].map((k) => k - 2 - t);
    // On a sample all others weigh nothing; sines would leave 1e-17.
    const values = weights.map((x) => t === 0 || t === 1 ? (x === 0 ? 1 : 0) : value(x));
    const sum = values.reduce((a, b) => a + b);
    values.forEach((each, k) => table[8 * phase + k] = each / sum);
  }
  tables.set(kernel, table);
  return table;
}

interface WarpParameters {
  readonly width: number;
  readonly height: number;
  readonly outWidth: number;
  readonly kernel: PlaneKernel;
  readonly matrix: readonly number[];
  readonly slack: number;
}

/** Output rows from … to of a band; runs in a worker. */
export function warpBand(band: Band<WarpParameters>): void {
  const { read, write: [out], wasm } = openBand(band), { from, to } = band;
  const { width, height, outWidth, kernel, matrix, slack } = band.parameters, table = warpTable(kernel);
  const source = read[0] as Float32Array;
  if (!wasm) return warpTwin(source, width, height, out, outWidth, from, to, table, slack, matrix);
  const o = out.subarray(from * outWidth, to * outWidth);
  withKernel("warp", { a: source, o }, table, (run, at) => {
    run(at.a, width, height, at.o, outWidth, from, to, at.scratch, slack, ...matrix);
  });
}
const task: PoolTask<Band<WarpParameters>, void> = { module: import.meta.url, name: "warpBand", run: warpBand };

/**
 * Resample a plane: output pixel (x, y) takes the value at matrix · (x, y) of the source. Weights sum to 1. NaN outside the
 * source's pixels and where the nearest sample is NaN; other taps that are missing (NaN or beyond the edge) are left out and the
 * rest weighted up while it carries half of the weight.
 *
 * @param source width × height samples
 * @param matrix output → source
 * @param kernel interpolation
 * @param slack how far a result may leave the range of the four nearest samples, unit of the samples; Infinity for any
 * @param out receives outWidth × outHeight samples; a fresh shared plane if left out
 */
export function warpPlane(
  source: Float32Array,
  width: number,
  height: number,
  outWidth: number,
  outHeight: number,
  matrix: Matrix3,
  kernel: PlaneKernel,
  slack: number = Infinity,
  out?: Float32Array,
): Float32Array {
  const result = out ?? borrowPlane(outWidth * outHeight);
  const unit = matrix[8] === 1 ? matrix : matrix.map((each) => each / matrix[8]);
  const parameters = { width, height, outWidth, kernel, matrix: unit, slack };
  overBands(task, outHeight, outWidth, [source], [result], parameters);
  return result;
}
