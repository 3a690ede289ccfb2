/**
 * Grey-scale morphology on planes (Serra 1982): lowest and highest samples of a disc around each pixel. NaN is left
 * out.
 */

import { returnPlane } from "../core/memory.ts";
import { extremumPlane } from "../kernels/extremum_filter.ts";

/** Lowest sample within a disc. */
export const erode = (data: Float32Array, width: number, height: number, radius: number): Float32Array =>
  extremumPlane(data, width, height, radius, "lowest");

/** Highest sample within a disc. */
export const dilate = (data: Float32Array, width: number, height: number, radius: number): Float32Array =>
  extremumPlane(data, width, height, radius, "highest");

/** Erosion, then dilation: what is narrower than the disc goes. */
export function open(data: Float32Array, width: number, height: number, radius: number): Float32Array {
  const eroded = extremumPlane(data, width, height, radius, "lowest");
  const out = dilate(eroded, width, height, radius);
  returnPlane(eroded);
  return out;
}

/**
 * Reconstruction by dilation (Vincent 1993, IEEE TIP 2, 176): the marker grown under the mask until nothing changes,
 * with the 3 × 3 neighbourhood: what the marker did not wholly lose returns in its own shape.
 */
export function reconstruct(marker: Float32Array, mask: Float32Array, width: number, height: number): Float32Array {
  const out = new Float32Array(marker.length);
  for (let i = 0; i < out.length; i++) out[i] = Math.min(marker[i], mask[i]);
  for (let changed = true, pass = 0; changed && pass < 10_000; pass++) {
    changed = false;
    const backwards = pass % 2 === 1;
    const step = backwards ? 1 : -1;
    for (let n = 0; n < out.length; n++) {
      const i = backwards ? out.length - 1 - n : n;
      const x = i % width;
      const y = (i - x) / width;
      let best = out[i];
      const row = y + step;
      if (x + step >= 0 && x + step < width && out[i + step] > best) best = out[i + step];
      if (row >= 0 && row < height) {
        for (let k = Math.max(0, x - 1); k <= Math.min(width - 1, x + 1); k++) {
          const v = out[row * width + k];
          if (v > best) best = v;
        }
      }
      if (best > mask[i]) best = mask[i];
      if (best > out[i]) {
        out[i] = best;
        changed = true;
      }
    }
  }
  return out;
}
