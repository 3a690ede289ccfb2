/** Gaussian smoothing of a plane in which data may be missing. */
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { blurInto, blurPlane, gaussianTaps } from "../kernels/blur.ts";

/**
 * A plane smoothed with a Gaussian cut at 3.2 sigma, mirrored at its borders. Samples without data take no part and
 * are filled from their neighbours; where no data lie within reach the result is NaN.
 *
 * @param weights relative trust of each sample, ≥ 0; none for equal trust
 */
export function gaussianSmooth(
  data: Float32Array,
  width: number,
  height: number,
  sigma: number,
  weights: Float32Array | null = null,
): Float32Array {
  const taps = gaussianTaps(sigma);
  const size = width * height;
  const out = borrowPlane(size);
  // Every 61st sample finds the gaps of nearly every plane that has some; the convolution itself reports any other.
  let whole = weights === null;
  for (let i = 0; whole && i < size; i += 61) if (data[i] !== data[i]) whole = false;
  if (whole && !blurInto(data, width, height, taps, out)) return out;
  const known = borrowPlane(size);
  const filled = borrowPlane(size);
  for (let i = 0; i < size; i++) {
    const v = data[i];
    const w = v === v ? (weights === null ? 1 : weights[i]) : 0;
    known[i] = w;
    filled[i] = w > 0 ? w * v : 0;
  }
  blurPlane(filled, width, height, taps, out);
  blurPlane(known, width, height, taps, filled);
  for (let i = 0; i < size; i++) out[i] = filled[i] > 1e-6 ? out[i] / filled[i] : NaN;
  returnPlane(known);
  returnPlane(filled);
  return out;
}
