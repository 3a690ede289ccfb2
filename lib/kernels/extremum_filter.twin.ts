/** The kernel of `src/extremum_filter.as.ts` in plain TypeScript; see machine.ts for what a twin is. */

/** Rows from … to of the lowest (sign 1) or highest (sign −1) samples within a disc; see extremumPlane. */
export function extremumTwin(
  source: Float32Array,
  out: Float32Array,
  w: number,
  h: number,
  from: number,
  to: number,
  chords: Int32Array,
  sign: number,
): void {
  const reach = chords.length >> 1;
  for (let y = from; y < to; y++) {
    for (let x = 0; x < w; x++) {
      let best = Infinity;
      for (let r = Math.max(0, y - reach); r <= Math.min(h - 1, y + reach); r++) {
        const half = chords[r - y + reach];
        for (let k = Math.max(0, x - half); k <= Math.min(w - 1, x + half); k++) {
          const v = source[r * w + k] * sign + 0;
          if (v < best && v > -Infinity) best = v;
        }
      }
      out[y * w + x] = best < Infinity ? best * sign + 0 : NaN;
    }
  }
}
