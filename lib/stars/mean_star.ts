/** The mean star of a frame as a small picture. */
import type { Sampling } from "../core/sampling.ts";
import type { Star } from "../core/star.ts";

/** A neighbour may count no more than this, in units of a star's height: it is bright, rare and elsewhere each time. */
const maximumLevel = 1.2;

/** A square picture about its middle. */
export interface MeanStar {
  /** Levels row by row, 1 at the height of a star. */
  readonly data: Float64Array;
  /** Pixels from the middle to a side. */
  readonly half: number;
  /** Side: 2 · half + 1. */
  readonly side: number;
}

/** Mean of stars, each scaled to its height, on a square of 2 · half + 1 pixels; bilinear. */
export function meanStar(sampling: Sampling, stars: readonly Star[], half: number): MeanStar {
  const { data, width, height, parity } = sampling;
  const side = 2 * half + 1;
  const sum = new Float64Array(side * side);
  const weight = new Float64Array(side * side);
  const step = parity === -1 ? 1 : 2;
  for (const star of stars) {
    const x0 = Math.round(star.x);
    const y0 = Math.round(star.y);
    for (let y = Math.max(0, y0 - half - 1); y <= Math.min(height - 1, y0 + half + 1); y++) {
      let x = Math.max(0, x0 - half - 1);
      if (parity !== -1 && ((x + y) & 1) !== parity) x++;
      for (; x <= Math.min(width - 1, x0 + half + 1); x += step) {
        const v = data[y * width + x];
        if (v !== v) continue;
        const level = Math.min(maximumLevel, (v - star.background) / star.peak);
        const px = x - star.x + half;
        const py = y - star.y + half;
        const ix = Math.floor(px);
        const iy = Math.floor(py);
        for (let k = 0; k < 4; k++) {
          const column = ix + (k & 1);
          const row = iy + (k >> 1);
          if (column < 0 || row < 0 || column >= side || row >= side) continue;
          const w = (1 - Math.abs(px - column)) * (1 - Math.abs(py - row));
          sum[row * side + column] += w * level;
          weight[row * side + column] += w;
        }
      }
    }
  }
  return { data: sum.map((each, i) => weight[i] > 0 ? each / weight[i] : 0), half, side };
}
