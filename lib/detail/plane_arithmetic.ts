/** Sums, differences and products of planes, on all workers. */
import type { Raster } from "../core/raster.ts";
import { type Band, openBand, overBands } from "../kernels/bands.ts";
import type { PoolTask } from "../parallel/pool.ts";

/** Columns and rows of the planes. */
type Size = Pick<Raster, "width" | "height">;

/** What {@linkcode combineRows} does. */
interface CombineSettings {
  readonly width: number;
  readonly by: "difference" | "product";
}

/** Rows of a − b or a · b. */
export function combineRows(band: Band<CombineSettings>): void {
  const { from, to, parameters: { width, by } } = band;
  const { read, write: [out] } = openBand(band);
  const [a, b] = read as Float32Array[];
  if (by === "product") { for (let i = from * width; i < to * width; i++) out[i] = a[i] * b[i]; }
  else for (let i = from * width; i < to * width; i++) out[i] = a[i] - b[i];
}

const combineTask: PoolTask<Band<CombineSettings>, void> = {
  module: import.meta.url,
  name: "combineRows",
  run: combineRows,
};

/** out = a − b. */
export const subtractPlanes = ({ width, height }: Size, a: Float32Array, b: Float32Array, out: Float32Array): void => {
  overBands(combineTask, height, 2 * width, [a, b], [out], { width, by: "difference" });
};

/** out = a · b; `out` may be one of them. */
export const multiplyPlanes = ({ width, height }: Size, a: Float32Array, b: Float32Array, out: Float32Array): void => {
  overBands(combineTask, height, 2 * width, [a, b], [out], { width, by: "product" });
};

/** What {@linkcode addRows} holds the sums to. */
interface AddSettings {
  readonly width: number;
  readonly display: boolean;
}

/** Adds up rows of two or three planes; where the first array, a plane or nothing, has no data the sum has none. */
export function addRows(band: Band<AddSettings>): void {
  const { from, to, parameters: { width, display } } = band;
  const { read, write: [out] } = openBand(band);
  const [data, a, b, c] = read as [Float32Array | null, Float32Array, Float32Array, Float32Array | null];
  const start = from * width;
  const end = to * width;
  if (c === null) { for (let i = start; i < end; i++) out[i] = a[i] + b[i]; }
  else for (let i = start; i < end; i++) out[i] = a[i] + b[i] + c[i];
  if (data !== null) { for (let i = start; i < end; i++) if (data[i] !== data[i]) out[i] = NaN; }
  if (display) { for (let i = start; i < end; i++) out[i] = out[i] < 0 ? 0 : out[i] > 1 ? 1 : out[i]; }
}

const addTask: PoolTask<Band<AddSettings>, void> = { module: import.meta.url, name: "addRows", run: addRows };

/** How planes are added up. */
export interface SumSettings {
  /** Where this plane has no data the sum has none; null for a sum that has data everywhere. */
  readonly gaps: Float32Array | null;
  /** Whether the sum is held to 0 … 1. */
  readonly display: boolean;
}

/** out = sum of two or three planes. */
export function addPlanes(
  { width, height }: Size,
  [a, b, c = null]: readonly [Float32Array, Float32Array, (Float32Array | null)?],
  out: Float32Array,
  { gaps, display }: SumSettings,
): void {
  overBands(addTask, height, 4 * width, [gaps, a, b, c], [out], { width, display });
}
