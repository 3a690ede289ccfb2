/** The kernel of `src/convolve.as.ts` in plain TypeScript; see machine.ts for what a twin is. */
import { mirror } from "./mirror.ts";

const f = Math.fround;

/** Rows from … to convolved with weights in opposite pairs; see convolvePlane. */
export function convolveTwin(
  source: Float32Array,
  out: Float32Array,
  w: number,
  h: number,
  from: number,
  to: number,
  middle: number,
  dx: Int32Array,
  dy: Int32Array,
  weights: Float32Array,
): void {
  const own = f(middle);
  for (let y = from; y < to; y++) {
    for (let x = 0; x < w; x++) {
      let s = f(source[y * w + x] * own);
      for (let k = 0; k < weights.length; k++) {
        const p = source[mirror(y + dy[k], h) * w + mirror(x + dx[k], w)];
        const q = source[mirror(y - dy[k], h) * w + mirror(x - dx[k], w)];
        s = f(s + f(f(p + q) * weights[k]));
      }
      out[y * w + x] = s;
    }
  }
}
