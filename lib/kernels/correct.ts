/** Calibration of raw samples with arrays made ready beforehand. */
import type { Region } from "../core/geometry.ts";
import { createMask, type Mask, maskBit } from "../core/mask.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import { type Band, openBand, overBands } from "./bands.ts";
import { kernelKind, withKernel } from "./machine.ts";
import type { PoolTask } from "../parallel/pool.ts";

/**
 * (raw − subtract) × multiply for a region of a frame. Nothing is clipped: noise below 0 must stay, or the mean of
 * many frames would be too high.
 *
 * In float32, as the samples are.
 *
 * @param raw region.width × region.height samples, ADU; or the bytes of big-endian unsigned 16-bit integers (BZERO
 * 32768)
 * @param correction arrays of the whole frame
 * @param region where the samples lie on the frame
 * @param out receives the result; may be `raw`
 */
export function correctSamples(
  raw: Float32Array | Uint8Array,
  correction: Pick<SensorCorrection, "subtract" | "multiply" | "width">,
  region: Region,
  out: Float32Array,
): void {
  const { subtract, multiply, width } = correction;
  const f = Math.fround;
  const shorts = raw instanceof Uint8Array;
  if (kernelKind() === "wasm") {
    // Only the rows that are needed: what has no memory of its own is copied.
    const from = region.y * width + region.x;
    const to = from + (region.height - 1) * width + region.width;
    const arrays = { a: raw, b: subtract?.subarray(from, to), c: multiply?.subarray(from, to), o: out };
    withKernel(shorts ? "correctShort" : "correct", arrays, 0, (kernel, at) => {
      const { a, b, c, o } = at;
      kernel(a, b, c, o, region.width, region.height, 4 * width, subtract === null ? 0 : 1, multiply === null ? 0 : 1);
    });
    return;
  }
  for (let y = 0, p = 0; y < region.height; y++) {
    for (let x = 0, q = (region.y + y) * width + region.x; x < region.width; x++, p++, q++) {
      let value = shorts ? shortAt(raw, p) : raw[p];
      if (subtract !== null) value = f(value - subtract[q]);
      if (multiply !== null) value = f(value * multiply[q]);
      out[p] = value;
    }
  }
}

interface CorrectParameters {
  readonly width: number;
}

/** Rows from … to of a frame; runs in a worker. */
export function correctBand(band: Band<CorrectParameters>): void {
  const { read, write: [out] } = openBand(band);
  const { from, to } = band;
  const { width } = band.parameters;
  const raw = read[0] as Float32Array | Uint8Array;
  const region = { x: 0, y: from, width, height: to - from };
  const part = raw instanceof Uint8Array
    ? raw.subarray(2 * from * width, 2 * to * width)
    : raw.subarray(from * width, to * width);
  const correction = { subtract: read[1] as Float32Array | null, multiply: read[2] as Float32Array | null, width };
  correctSamples(part, correction, region, out.subarray(from * width, to * width));
}
const task: PoolTask<Band<CorrectParameters>, void> = {
  module: import.meta.url,
  name: "correctBand",
  run: correctBand,
};

/** {@linkcode correctSamples} for a whole frame, on all processors. */
export function correctFrame(
  raw: Float32Array | Uint8Array,
  { subtract, multiply, width }: Pick<SensorCorrection, "subtract" | "multiply" | "width">,
  height: number,
  out: Float32Array,
): void {
  overBands(task, height, width, [raw, subtract, multiply], [out], { width });
}

/** Sample i of big-endian unsigned 16-bit integers as FITS stores them (BZERO 32768, FITS 4.0 section 5.2.5). */
export const shortAt = (bytes: Uint8Array, i: number): number => ((bytes[2 * i] << 8) | bytes[2 * i + 1]) ^ 0x8000;

/** Such integers as samples. */
export function decodeShorts(bytes: Uint8Array, out: Float32Array): void {
  const count = out.length;
  const region = { x: 0, y: 0, width: count, height: 1 };
  correctSamples(bytes, { subtract: null, multiply: null, width: count }, region, out);
}

/** Mask of the samples at or above the saturation level; null when the level is unknown or nothing is saturated. */
export function saturatedMask(
  raw: Float32Array,
  saturationLevel: number | null,
  width: number,
  height: number,
): Mask | null {
  if (saturationLevel === null) return null;
  let mask: Mask | null = null;
  for (let p = 0; p < raw.length; p++) {
    if (raw[p] >= saturationLevel) {
      mask ??= createMask(width, height);
      mask[p] |= maskBit.saturated;
    }
  }
  return mask;
}
