/** A plane as the sum of two, exact in the arithmetic of its samples. */

const single = new Float32Array(1);
const singleBits = new Int32Array(single.buffer);

/** Distance to the next float32 above |x|. */
function spacing(x: number): number {
  single[0] = Math.abs(x);
  const here = single[0];
  singleBits[0] += 1;
  return single[0] - here;
}

/**
 * Part a plane in two that add up to it: `behind` is moved, by less than the rounding of the largest of the three, so
 * that behind + front gives the original's own bits (float32 addition). Where the original is much smaller than both
 * parts their sum cannot hold its last bits; there it is true to the rounding of the larger part.
 */
export function splitExactly(whole: Float32Array, behind: Float32Array, front: Float32Array): void {
  for (let i = 0; i < whole.length; i++) {
    const v = whole[i];
    const b = behind[i];
    if (v === b || v !== v || b !== b) {
      front[i] = v === v && b === b ? 0 : NaN;
      if (v !== v) behind[i] = NaN;
      continue;
    }
    const step = Math.max(spacing(v), spacing(b) / 2, spacing(v - b) / 2);
    const held = Math.fround(Math.round(b / step) * step);
    const rest = Math.fround(v - held);
    behind[i] = Math.fround(held + rest) === v ? held : Math.fround(v - rest);
    front[i] = rest;
  }
}
