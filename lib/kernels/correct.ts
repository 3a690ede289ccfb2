/** Calibration of raw samples with arrays made ready beforehand. */
import type { Region } from "../core/geometry.ts";
import { createMask, type Mask, maskBit } from "../core/mask.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import { kernelKind, withKernel } from "./machine.ts";

/**
 * (raw − subtract) × multiply for a region of a frame. Nothing is clipped: noise below 0 must stay, or the mean of many frames
 * would be too high.
 *
 * In float32, as the samples are.
 *
 * @param raw region.width × region.height samples, ADU
 * @param correction arrays of the whole frame
 * @param region where the samples lie on the frame
 * @param out receives the result; may be `raw`
 */
export function correctSamples(
  raw: Float32Array,
  correction: SensorCorrection,
  region: Region,
  out: Float32Array,
): void {
  const { subtract, multiply, width } = correction, f = Math.fround;
  if (kernelKind() === "wasm") {
    // Only the rows that are needed: what has no memory of its own is copied.
    const from = region.y * width + region.x, to = from + (region.height - 1) * width + region.width;
    const arrays = { a: raw, b: subtract?.subarray(from, to), c: multiply?.subarray(from, to), o: out };
    withKernel("correct", arrays, 0, (kernel, at) => {
      const { a, b, c, o } = at;
      kernel(a, b, c, o, region.width, region.height, 4 * width, subtract === null ? 0 : 1, multiply === null ? 0 : 1);
    });
    return;
  }
  for (let y = 0, p = 0; y < region.height; y++) {
    for (let x = 0, q = (region.y + y) * width + region.x; x < region.width; x++, p++, q++) {
      const level = subtract === null ? 0 : subtract[q], factor = multiply === null ? 1 : multiply[q];
      out[p] = f(raw[p] - level) * factor;
    }
  }
}
/** Mask of the samples at or above the saturation level; null when the level is unknown or nothing is saturated. */
export function saturatedMask(
  raw: Float32Array,
  saturationAdu: number | null,
  width: number,
  height: number,
): Mask | null {
  if (saturationAdu === null) return null;
  let mask: Mask | null = null;
  for (let p = 0; p < raw.length; p++) {
    if (raw[p] >= saturationAdu) {
      mask ??= createMask(width, height);
      mask[p] |= maskBit.saturated;
    }
  }
  return mask;
}
