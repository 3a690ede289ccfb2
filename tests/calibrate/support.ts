/** Small images for the tests of calibration. */
import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { type BayerPattern, plainGeometry } from "../../lib/core/geometry.ts";
import { createImage, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";

/** An image of one plane from numbers, mono or mosaic. */
export function imageOf(
  width: number,
  height: number,
  values: ArrayLike<number>,
  bayer: BayerPattern | null = null,
): Image {
  const data = Float32Array.from(values);
  return createImage({
    width,
    height,
    unit: "adu",
    planes: [{ channel: bayer === null ? "L" : "mosaic", data }],
    geometry: { ...plainGeometry, bayer },
  });
}

/** Noise around a level. */
export function noisy(
  width: number,
  height: number,
  level: number,
  sigma: number,
  seed: number | string,
): Float32Array {
  const random = randomStream(seed);
  return Float32Array.from({ length: width * height }, () => level + sigma * random.gaussian());
}

/** Values of other libraries, made by fixtures/combine/generate.py. */
export interface StoredValues {
  readonly ccdproc: { readonly scaled: readonly number[]; readonly plain: readonly number[] };
  readonly combiner: { readonly mean: readonly number[]; readonly weighted: readonly number[] };
  readonly astroscrappy: { readonly hits: readonly (readonly [number, number])[] };
  readonly bilinear: Readonly<Record<"R" | "G" | "B", readonly number[]>>;
  readonly huber: { readonly location: number; readonly scale: number };
  readonly student: readonly (readonly [number, number, number])[];
}

/** Read them. */
export const storedValues = (): StoredValues =>
  JSON.parse(
    readFileSync(fileURLToPath(new URL("../../fixtures/combine/values.json", import.meta.url)), "utf8"),
  ) as StoredValues;

/** Mean and standard deviation of the finite values. */
export function moments(values: ArrayLike<number>): { mean: number; sd: number; count: number } {
  let sum = 0;
  let square = 0;
  let count = 0;
  for (let i = 0; i < values.length; i++) {
    if (!Number.isFinite(values[i])) continue;
    count++;
    sum += values[i];
  }
  const mean = sum / count;
  for (let i = 0; i < values.length; i++) if (Number.isFinite(values[i])) square += (values[i] - mean) ** 2;
  return { mean, sd: Math.sqrt(square / (count - 1)), count };
}
