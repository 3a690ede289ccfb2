/** Calibration of raw samples with arrays made ready beforehand. */
import type { Region } from "../core/geometry.ts";
import { createMask, type Mask, maskBit } from "../core/mask.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";

/**
 * (raw − subtract) × multiply for a region of a frame. Nothing is clipped: noise below 0 must stay, or the mean of many frames
 * would be too high.
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
  const { subtract, multiply, width } = correction;
  for (let y = 0, p = 0; y < region.height; y++) {
    for (let x = 0, q = (region.y + y) * width + region.x; x < region.width; x++, p++, q++) {
      const level = subtract === null ? 0 : subtract[q], factor = multiply === null ? 1 : multiply[q];
      out[p] = (raw[p] - level) * factor;
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
