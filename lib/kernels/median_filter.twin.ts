/** The kernel of `src/median_filter.as.ts` in plain TypeScript; it serves the edges and gaps of the other as well. */

/** Exchange so that a[i] ≤ a[j]. */
function order(a: Float64Array, i: number, j: number): void {
  const low = Math.min(a[i], a[j]);
  const high = Math.max(a[i], a[j]);
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

/** What the filter is told. */
export interface MedianParameters {
  /** Columns of the plane. */
  readonly width: number;
  /** Rows of the plane. */
  readonly height: number;
  /** Samples to each side of the pixel. */
  readonly radius: number;
  /** Distance of those samples, pixels. */
  readonly step: number;
  /** Whether the pixel itself belongs to its neighbourhood. */
  readonly own: boolean;
}

/** Columns from … to of one row, by what exists of each neighbourhood. */
export function medianRow(
  samples: Float32Array,
  { width, height, radius, step, own }: MedianParameters,
  y: number,
  from: number,
  to: number,
  values: Float64Array,
  out: Float32Array,
): void {
  const reach = radius * step;
  for (let x = from; x < to; x++) {
    let n = 0;
    for (let j = -reach; j <= reach; j += step) {
      if (y + j < 0 || y + j >= height) continue;
      const row = (y + j) * width;
      for (let i = -reach; i <= reach; i += step) {
        if (x + i < 0 || x + i >= width || (!own && i === 0 && j === 0)) continue;
        const value = samples[row + x + i];
        if (value === value) values[n++] = value + 0;
      }
    }
    out[y * width + x] = smallMedian(values, n);
  }
}
