/** Rows and columns beyond the edge. */

/** Index mirrored into 0 … n − 1 without repeating the edge. */
export function mirror(i: number, n: number): number {
  if (n === 1) return 0;
  const period = 2 * (n - 1);
  const k = ((i % period) + period) % period;
  return k < n ? k : period - k;
}
