/** Noise and finest structure of a plane, told by the differences of neighbouring samples. */
import { medianInPlace } from "./samples.ts";

/** About so many differences are looked at, evenly spread over the plane. */
const sampledDifferences = 100_000;

/**
 * Median absolute difference of neighbours along rows, 0.954 standard deviations of white noise, without a pass over
 * the whole plane; NaN where no two neighbours have data.
 */
export function medianNeighbourDifference(data: Float32Array): number {
  const stride = Math.max(1, Math.floor(data.length / sampledDifferences) | 1);
  const differences = new Float64Array(Math.ceil(data.length / stride));
  let n = 0;
  for (let i = 1; i < data.length; i += stride) {
    const difference = Math.abs(data[i] - data[i - 1]);
    if (difference === difference) differences[n++] = difference;
  }
  return n === 0 ? NaN : medianInPlace(differences, n);
}
