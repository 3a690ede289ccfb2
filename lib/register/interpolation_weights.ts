/** Weights of an interpolation. */
import type { WarpKernel } from "../kernels/warp_tile.ts";

/**
 * Weights of the samples round a place that lies `phase` pixels behind a sample: Lanczos (a = 3) and Keys' cubic
 * convolution (1981, a = −1/2) divided by their sum, so that a constant stays constant. The first weight belongs to
 * the sample `size / 2 − 1` before the place's floor.
 *
 * @param kernel the interpolation
 * @param phase 0 … 1
 * @returns 6, 4, 2 or 1 weights
 *
 * @example Keys at half a pixel
 * ```ts
 * import assert from "node:assert/strict";
 * import { interpolationWeights } from "faintlight/parts";
 *
 * assert.deepEqual(interpolationWeights("cubic", 0.5), [-1 / 16, 9 / 16, 9 / 16, -1 / 16]);
 * ```
 */
export function interpolationWeights(kernel: WarpKernel, phase: number): number[] {
  if (!(phase >= 0 && phase <= 1)) {
    throw new RangeError(`interpolationWeights: phase must be from 0 to 1, but got ${phase}`);
  }
  if (kernel === "nearest") return [1];
  const reach = kernel === "lanczos3" ? 3 : kernel === "cubic" ? 2 : 1;
  const sinc = (x: number) => x === 0 ? 1 : Math.sin(Math.PI * x) / (Math.PI * x);
  const value = (x: number): number => {
    const a = Math.abs(x);
    if (Number.isInteger(a)) return a === 0 ? 1 : 0;
    if (kernel === "lanczos3") return a < 3 ? sinc(a) * sinc(a / 3) : 0;
    if (kernel === "cubic") return a < 1 ? (1.5 * a - 2.5) * a * a + 1 : a < 2 ? ((-0.5 * a + 2.5) * a - 4) * a + 2 : 0;
    return Math.max(0, 1 - a);
  };
  const weights = Array.from({ length: 2 * reach }, (_, k) => value(k - reach + 1 - phase));
  const sum = weights.reduce((a, b) => a + b, 0);
  return weights.map((each) => each / sum);
}
