/** Gaussian smoothing of a plane in which data may be missing. */
import { allocatePlane } from "../core/image.ts";
import { expPortable } from "../kernels/elementary.ts";

/** Weights of a Gaussian cut at 3.2 sigma (0.14 % of its weight lies outside), with sum 1; the middle one stands at `radius`. */
function gaussianTaps(sigma: number): Float64Array {
  const radius = Math.max(1, Math.ceil(3.2 * sigma)), taps = new Float64Array(2 * radius + 1);
  let sum = 0;
  for (let k = -radius; k <= radius; k++) sum += taps[k + radius] = expPortable(-0.5 * k * k / (sigma * sigma));
  for (let k = 0; k < taps.length; k++) taps[k] /= sum;
  return taps;
}

function rows(from: Float32Array, to: Float32Array, width: number, height: number, taps: Float64Array): void {
  const radius = taps.length >> 1, line = new Float64Array(width + 2 * radius);
  for (let y = 0; y < height; y++) {
    const at = y * width;
    for (let x = -radius; x < width + radius; x++) {
      const inside = x < 0 ? Math.min(width - 1, -x) : x >= width ? Math.max(0, 2 * width - 2 - x) : x;
      line[x + radius] = from[at + inside];
    }
    for (let x = 0; x < width; x++) {
      let sum = taps[radius] * line[x + radius];
      for (let k = 1; k <= radius; k++) sum += taps[radius + k] * (line[x + radius - k] + line[x + radius + k]);
      to[at + x] = sum;
    }
  }
}

function columns(from: Float32Array, to: Float32Array, width: number, height: number, taps: Float64Array): void {
  const radius = taps.length >> 1, sum = new Float64Array(width);
  for (let y = 0; y < height; y++) {
    sum.fill(0);
    for (let k = -radius; k <= radius; k++) {
      let row = y + k;
      if (row < 0) row = Math.min(height - 1, -row);
      if (row >= height) row = Math.max(0, 2 * height - 2 - row);
      const weight = taps[radius + k], at = row * width;
      for (let x = 0; x < width; x++) sum[x] += weight * from[at + x];
    }
    to.set(sum, y * width);
  }
}

/**
 * A plane smoothed with a Gaussian, mirrored at its borders. Samples without data take no part and are filled from their
 * neighbours; where no data lie within 3.2 sigma the result is NaN.
 *
 * @param weights relative trust of each sample, ≥ 0; none for equal trust
 */
export function smoothPlane(
  data: Float32Array,
  width: number,
  height: number,
  sigma: number,
  weights: Float32Array | null = null,
): Float32Array {
  // A wide Gaussian is drawn on a smaller grid: its own smoothness makes the difference invisible (below 1e-3 of a step).
  const taps = gaussianTaps(sigma), half = allocatePlane(width, height), out = allocatePlane(width, height);
  let whole = weights === null;
  for (let i = 0; whole && i < data.length; i++) if (data[i] !== data[i]) whole = false;
  if (whole) {
    rows(data, half, width, height, taps);
    columns(half, out, width, height, taps);
    return out;
  }
  const known = new Float32Array(data.length), filled = new Float32Array(data.length);
  for (let i = 0; i < data.length; i++) {
    const v = data[i], w = v === v ? (weights === null ? 1 : weights[i]) : 0;
    known[i] = w;
    filled[i] = w > 0 ? w * v : 0;
  }
  rows(filled, half, width, height, taps);
  columns(half, out, width, height, taps);
  rows(known, half, width, height, taps);
  const norm = new Float32Array(data.length);
  columns(half, norm, width, height, taps);
  for (let i = 0; i < data.length; i++) out[i] = norm[i] > 1e-6 ? out[i] / norm[i] : NaN;
  return out;
}
