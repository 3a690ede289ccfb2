/** The starlet transform: a plane as a sum of details, each twice as wide as the one before, and a smooth rest. */
import { starletScale } from "../kernels/starlet_scale.ts";
import { medianInPlace } from "../stats/samples.ts";

/**
 * One smoothing of the transform: the B3 spline [1 4 6 4 1] / 16 along rows and columns with holes of `step` − 1 pixels,
 * mirrored at the borders (Starck & Murtagh 2002). Samples without data make their neighbourhood NaN; fill them first.
 */
export const starletSmooth = (data: Float32Array, width: number, height: number, step: number): Float32Array =>
  starletScale(data, width, height, step).smooth;

/** A plane in parts: their sum, with `rest`, is the plane. */
export interface Starlet {
  /** Details of the scales 1, 2, 4 … pixels. */
  readonly scales: readonly Float32Array[];
  /** What is wider than all of them. */
  readonly rest: Float32Array;
}

/** Replace samples without data by the last one with data along the row, so that the transform has something to smooth. */
export function withoutGaps(data: Float32Array): Float32Array {
  let first = NaN;
  for (let i = 0; i < data.length && first !== first; i++) first = data[i];
  if (!data.some((v) => v !== v)) return data;
  const out = Float32Array.from(data);
  let last = first === first ? first : 0;
  for (let i = 0; i < out.length; i++) {
    if (out[i] === out[i]) last = out[i];
    else out[i] = last;
  }
  return out;
}

/** The transform; gaps are bridged first. */
export function starlet(data: Float32Array, width: number, height: number, count: number): Starlet {
  let smooth = withoutGaps(data);
  const scales: Float32Array[] = [];
  for (let j = 0; j < count; j++) {
    const next = starletScale(smooth, width, height, 2 ** j);
    scales.push(next.detail);
    smooth = next.smooth;
  }
  return { scales, rest: smooth };
}

/** Standard deviation of white noise of 1 in each scale of the transform in two dimensions (norms of its kernels). */
export const starletGains: readonly number[] = [
  0.8907963,
  0.2006639,
  0.0855075,
  0.0412174,
  0.0204249,
  0.0101898,
  0.005092,
  0.0025457,
];

/** Standard deviation of the noise in one scale: 1.4826 × the median size, objects clipped in rounds at three times that. */
export function scaleNoise(detail: Float32Array): number {
  const stride = Math.max(1, Math.floor(detail.length / 150_000) | 1),
    kept = new Float64Array(Math.ceil(detail.length / stride));
  let n = 0;
  for (let i = 0; i < detail.length; i += stride) if (detail[i] === detail[i]) kept[n++] = Math.abs(detail[i]);
  if (n === 0) return NaN;
  let sigma = 1.482602218505602 * medianInPlace(kept, n);
  for (let round = 0; round < 3; round++) {
    let m = 0;
    for (let i = 0; i < n; i++) if (kept[i] <= 3 * sigma) kept[m++] = kept[i];
    if (m === n || m === 0) break;
    n = m;
    // The median of what is left after cutting at 3 sigma is 0.9946 of the uncut one's.
    sigma = 1.482602218505602 * medianInPlace(kept, n) / 0.9966;
  }
  return sigma;
}
