/** How much coarse pixels alone make the shapes of stars differ. */
import { measureMoments, momentAt, momentFields } from "../kernels/moments.ts";
import type { MoffatProfile } from "./moffat.ts";
import { type Ellipse, leastVariance, shortVariance } from "./moments.ts";
import type { Sampling } from "../core/sampling.ts";

/** Side of the square each star is drawn on: the widened weight of the narrowest stars reaches seven pixels. */
const SIDE = 19;
/** Stars fall on so many places of a pixel's width, each way; their steps do not divide the period of a mosaic. */
const PLACES = 5;

/**
 * Variance of the two shape components of stars that are all alike, by where they fall on the pixels: the frame's mean
 * star, drawn without noise at 5 × 5 places and measured. 0 where pixels are fine enough.
 */
export function pixelScatter(sampling: Sampling, frame: Ellipse, profile: MoffatProfile): number {
  const coarse = leastVariance(sampling);
  if (!(shortVariance(frame) < 3 * coarse)) return 0;
  const { xx, xy, yy } = frame;
  const det = xx * yy - xy * xy;
  const count = PLACES * PLACES;
  const width = SIDE * count;
  const data = new Float32Array(width * SIDE);
  const list = new Float64Array(count * momentFields);
  const middle = SIDE >> 1;
  for (let k = 0; k < count; k++) {
    const x0 = k * SIDE + middle + (k % PLACES) * 0.4;
    const y0 = middle + Math.floor(k / PLACES) * 0.4;
    for (let y = 0; y < SIDE; y++) {
      for (let x = k * SIDE; x < (k + 1) * SIDE; x++) {
        const dx = x - x0;
        const dy = y - y0;
        const u2 = (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / det;
        data[y * width + x] = 1000 * (1 + u2 / profile.alpha ** 2) ** -profile.beta;
      }
    }
    const e = k * momentFields;
    list.set([2, x0, y0, xx, xy, yy, 0, 2, 0, 0, 0.1 * shortVariance(frame), 40 * (xx + yy), 20], e);
  }
  measureMoments(data, width, SIDE, sampling.parity, coarse, list);
  let n = 0;
  let s1 = 0;
  let s2 = 0;
  let squares = 0;
  for (let e = 0; e < list.length; e += momentFields) {
    if (list[e + momentAt.good] === 0) continue;
    const a = list[e + momentAt.xx];
    const b = list[e + momentAt.yy];
    const c = list[e + momentAt.xy];
    const e1 = (a - b) / (a + b);
    const e2 = 2 * c / (a + b);
    n++;
    s1 += e1;
    s2 += e2;
    squares += e1 * e1 + e2 * e2;
  }
  return n < 2 ? 0 : squares / n - (s1 * s1 + s2 * s2) / (n * n);
}
