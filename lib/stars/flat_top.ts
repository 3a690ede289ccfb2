/** Stars whose top was clipped below the saturation level that is known, or where none is. */
import type { Sampling } from "../core/sampling.ts";

/** Index of the highest sample that counts within three pixels of a place; −1 where there is none. */
function highestNear({ data, width, height, parity }: Sampling, x0: number, y0: number): number {
  const reach = 3;
  const middleX = Math.round(x0);
  const middleY = Math.round(y0);
  let highest = -Infinity;
  let at = -1;
  for (let y = Math.max(0, middleY - reach); y <= Math.min(height - 1, middleY + reach); y++) {
    for (let x = Math.max(0, middleX - reach); x <= Math.min(width - 1, middleX + reach); x++) {
      if (parity !== -1 && ((x + y) & 1) !== parity) continue;
      const v = data[y * width + x];
      if (v > highest) {
        highest = v;
        at = y * width + x;
      }
    }
  }
  return at;
}

/** Whether at least three samples round the peak are within half a percent of it: a clipped top. */
export function isFlatTopped(sampling: Sampling, x: number, y: number, background: number): boolean {
  const { data, width, height, parity } = sampling;
  const at = highestNear(sampling, x, y);
  if (at < 0) return false;
  const x0 = at % width;
  const y0 = (at - x0) / width;
  const top = data[at] - background;
  const reach = parity === -1 ? 1 : 2;
  let equal = 0;
  for (let y = Math.max(0, y0 - reach); y <= Math.min(height - 1, y0 + reach); y++) {
    for (let x = Math.max(0, x0 - reach); x <= Math.min(width - 1, x0 + reach); x++) {
      if (parity !== -1 && ((x + y) & 1) !== parity) continue;
      if (data[y * width + x] - background >= 0.995 * top) equal++;
    }
  }
  return equal >= 4;
}
