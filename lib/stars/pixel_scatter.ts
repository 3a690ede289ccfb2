/** How much coarse pixels alone make the shapes of stars differ. */
import type { Sampling } from "../core/sampling.ts";
import { measureMoments, momentAt, momentFields } from "../kernels/moments.ts";
import { type Ellipse, resolvedVariance, shortVariance } from "./ellipse.ts";
import type { MoffatProfile } from "./moffat.ts";
import { momentList, setEntry } from "./moment_list.ts";

/** Side of the square each star is drawn on: the widened weight of the narrowest stars reaches seven pixels. */
const side = 19;
/** Stars fall on so many places of a pixel's width, each way; their steps do not divide the period of a mosaic. */
const placesAlong = 5;
/** Variance along the short axis, in units of what pixels resolve, from which on pixels are fine enough. */
const maximumCoarseRatio = 3;

/** The frame's mean star drawn without noise at 5 × 5 places, one square beside the other, and a list to measure it. */
function drawPlaces(frame: Ellipse, profile: MoffatProfile): { data: Float32Array; list: Float64Array } {
  const { xx, xy, yy } = frame;
  const det = xx * yy - xy * xy;
  const count = placesAlong * placesAlong;
  const width = side * count;
  const data = new Float32Array(width * side);
  const list = momentList(count);
  const middle = side >> 1;
  for (let k = 0; k < count; k++) {
    const x0 = k * side + middle + (k % placesAlong) * 0.4;
    const y0 = middle + Math.floor(k / placesAlong) * 0.4;
    for (let y = 0; y < side; y++) {
      for (let x = k * side; x < (k + 1) * side; x++) {
        const dx = x - x0;
        const dy = y - y0;
        const u2 = (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / det;
        data[y * width + x] = 1000 * (1 + u2 / profile.alpha ** 2) ** -profile.beta;
      }
    }
    const e = setEntry(list, k, 2, { x: x0, y: y0, shape: frame, background: 0 });
    list[e + momentAt.maximumShift] = 2;
    list[e + momentAt.minimumVariance] = 0.1 * shortVariance(frame);
    list[e + momentAt.maximumVariance] = 40 * (xx + yy);
    list[e + momentAt.iterations] = 20;
  }
  return { data, list };
}

/**
 * Variance of the two shape components of stars that are all alike, by where they fall on the pixels: the frame's mean
 * star, drawn without noise at 5 × 5 places and measured. 0 where pixels are fine enough.
 */
export function pixelScatter(sampling: Sampling, frame: Ellipse, profile: MoffatProfile): number {
  const resolved = resolvedVariance(sampling);
  if (!(shortVariance(frame) < maximumCoarseRatio * resolved)) return 0;
  const { data, list } = drawPlaces(frame, profile);
  const plane = { data, width: data.length / side, height: side, parity: sampling.parity };
  measureMoments(plane, resolved, list);

  let n = 0;
  let sum1 = 0;
  let sum2 = 0;
  let squares = 0;
  for (let e = 0; e < list.length; e += momentFields) {
    if (list[e + momentAt.converged] === 0) continue;
    const xx = list[e + momentAt.xx];
    const yy = list[e + momentAt.yy];
    const e1 = (xx - yy) / (xx + yy);
    const e2 = 2 * list[e + momentAt.xy] / (xx + yy);
    n++;
    sum1 += e1;
    sum2 += e2;
    squares += e1 * e1 + e2 * e2;
  }
  return n < 2 ? 0 : squares / n - (sum1 * sum1 + sum2 * sum2) / (n * n);
}
