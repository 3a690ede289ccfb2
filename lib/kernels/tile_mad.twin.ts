/** The kernel of `src/tile_mad.as.ts` in plain TypeScript; see machine.ts for what a twin is. */

/** Median of the first `n` of sorted values; the mean of the two in the middle when n is even. */
const medianOfSorted = (sorted: Float32Array, n: number): number =>
  n & 1 ? sorted[n >> 1] : (sorted[(n >> 1) - 1] + sorted[n >> 1]) / 2;

/** Median absolute value and number of the samples of each tile; see tileMads. */
export function tileMadsTwin(
  data: Float32Array,
  w: number,
  columns: Int32Array,
  rows: Int32Array,
  step: number,
  longest: number,
  medians: Float64Array,
  counts: Float64Array,
): void {
  const sizes = new Float32Array(longest);
  const across = columns.length - 1;
  for (let t = 0; t < medians.length; t++) {
    const c = t % across;
    const r = (t - c) / across;
    let n = 0;
    for (let y = rows[r]; y < rows[r + 1]; y += step) {
      for (let x = columns[c]; x < columns[c + 1]; x += step) {
        const v = Math.abs(data[y * w + x]);
        if (v === v) sizes[n++] = v;
      }
    }
    counts[t] = n;
    medians[t] = n === 0 ? NaN : medianOfSorted(sizes.subarray(0, n).sort(), n);
  }
}

/** Clipped standard deviation by the median absolute value; see clippedMad. */
export function clippedMadTwin(
  data: Float32Array,
  stride: number,
  iterations: number,
  toSigma: number,
  afterClip: number,
): number {
  const sizes = new Float32Array(Math.ceil(data.length / stride));
  let n = 0;
  for (let i = 0; i < data.length; i += stride) if (data[i] === data[i]) sizes[n++] = Math.abs(data[i]);
  if (n === 0) return NaN;
  const sorted = sizes.subarray(0, n).sort();
  let sigma = toSigma * medianOfSorted(sorted, n);
  for (let iteration = 0; iteration < iterations; iteration++) {
    let m = 0;
    while (m < n && sorted[m] <= 3 * sigma) m++;
    if (m === n || m === 0) break;
    n = m;
    sigma = toSigma * medianOfSorted(sorted, n) / afterClip;
  }
  return sigma;
}
