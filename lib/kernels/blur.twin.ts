/** The kernel of `src/blur.as.ts` in plain TypeScript; see machine.ts for what a twin is. */
import { mirror } from "./mirror.ts";

const f = Math.fround;

/** Rows from … to convolved along columns, then along rows; whether one of them holds a NaN. See blurPlane. */
export function blurTwin(
  source: Float32Array,
  out: Float32Array,
  w: number,
  h: number,
  from: number,
  to: number,
  taps: Float32Array,
): boolean {
  const radius = taps.length - 1;
  const sum = new Float32Array(w);
  const line = new Float32Array(w + 2 * radius);
  for (let y = from; y < to; y++) {
    for (let x = 0; x < w; x++) sum[x] = source[y * w + x] * taps[0];
    for (let j = 1; j <= radius; j++) {
      const p = mirror(y - j, h) * w;
      const q = mirror(y + j, h) * w;
      for (let x = 0; x < w; x++) sum[x] = sum[x] + f(f(source[p + x] + source[q + x]) * taps[j]);
    }
    for (let x = -radius; x < w + radius; x++) line[x + radius] = sum[mirror(x, w)];
    for (let x = 0, l = radius; x < w; x++, l++) {
      let s = f(line[l] * taps[0]);
      for (let j = 1; j <= radius; j++) s = f(s + f(f(line[l - j] + line[l + j]) * taps[j]));
      out[y * w + x] = s;
    }
  }
  return source.subarray(from * w, to * w).some(Number.isNaN);
}
