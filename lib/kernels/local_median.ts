/** Medians of small neighbourhoods of a plane. */

/** Exchange so that a[i] ≤ a[j]. */
function order(a: Float64Array, i: number, j: number): void {
  const low = Math.min(a[i], a[j]), high = Math.max(a[i], a[j]);
  a[i] = low;
  a[j] = high;
}

/** Median of the first n values by partial selection; changes their order. NaN for none. */
function smallMedian(a: Float64Array, n: number): number {
  if (n === 0) return NaN;
  const half = n >> 1;
  // Selection by moving the largest of what is left to the end: n is at most 48.
  for (let end = n - 1; end >= half; end--) for (let i = 0; i < end; i++) order(a, i, i + 1);
  if (n % 2 === 1) return a[half];
  let below = a[0];
  for (let i = 1; i < half; i++) below = Math.max(below, a[i]);
  return (below + a[half]) / 2;
}

/**
 * Median of the (2r + 1)² neighbourhood of each pixel in rows from … to − 1, samples `step` pixels apart (2 keeps to one colour
 * of a mosaic). NaN samples are left out; at the edges only what exists counts. NaN where nothing does.
 *
 * @param own whether the pixel itself belongs to its neighbourhood
 * @param out receives the medians of these rows, the first at index 0
 */
export function localMedian(
  samples: Float32Array,
  width: number,
  height: number,
  radius: number,
  step: number,
  own: boolean,
  from: number,
  to: number,
  out: Float32Array,
): void {
  const values = new Float64Array((2 * radius + 1) ** 2), reach = radius * step;
  for (let y = from, at = 0; y < to; y++) {
    for (let x = 0; x < width; x++, at++) {
      let n = 0;
      for (let j = -reach; j <= reach; j += step) {
        if (y + j < 0 || y + j >= height) continue;
        const row = (y + j) * width;
        for (let i = -reach; i <= reach; i += step) {
          if (x + i < 0 || x + i >= width || (!own && i === 0 && j === 0)) continue;
          const value = samples[row + x + i];
          if (value === value) values[n++] = value;
        }
      }
      out[at] = smallMedian(values, n);
    }
  }
}
