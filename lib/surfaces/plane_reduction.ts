/**
 * The planes among all surfaces through n places, split off by three reflections (Golub & Van Loan, Matrix
 * Computations, section 5.2): rows 0 to 2 of what is rotated belong to the plane, the rest to what bends.
 */

/** The n × 3 matrix of all planes as three Householder reflections and a triangle. */
export interface PlaneReduction {
  /** Householder vectors. */
  readonly vectors: readonly Float64Array[];
  /** Factor of each reflection. */
  readonly factors: readonly number[];
  /** The triangle, row by row. */
  readonly triangle: readonly (readonly number[])[];
}

/** Three Householder reflections that turn the n × 3 matrix into a triangle; null when its columns are dependent. */
export function reducePlane(
  columns: readonly [Float64Array, Float64Array, Float64Array],
  n: number,
): PlaneReduction | null {
  const work = columns.map((each) => each.slice());
  const vectors: Float64Array[] = [];
  const factors: number[] = [];
  const triangle = [[0, 0, 0], [0, 0, 0], [0, 0, 0]];
  for (let c = 0; c < 3; c++) {
    const full = Math.sqrt(columns[c].reduce((a, b) => a + b * b, 0));
    let sum = 0;
    for (let i = c; i < n; i++) sum += work[c][i] ** 2;
    const length = Math.sqrt(sum);
    if (!(length > 1e-10 * full)) return null;
    const alpha = work[c][c] > 0 ? -length : length;
    const v = new Float64Array(n);
    for (let i = c; i < n; i++) v[i] = work[c][i];
    v[c] -= alpha;
    const factor = -1 / (alpha * v[c]);
    for (let k = c; k < 3; k++) {
      let dot = 0;
      for (let i = c; i < n; i++) dot += v[i] * work[k][i];
      dot *= factor;
      for (let i = c; i < n; i++) work[k][i] -= dot * v[i];
      triangle[c][k] = work[k][c];
    }
    vectors.push(v);
    factors.push(factor);
  }
  return { vectors, factors, triangle };
}

/** Rotate a vector by the three reflections: forwards is Qᵀ, backwards is Q. */
export function rotate({ vectors, factors }: PlaneReduction, column: Float64Array, backwards: boolean): void {
  const n = column.length;
  for (let step = 0; step < 3; step++) {
    const k = backwards ? 2 - step : step;
    const v = vectors[k];
    let dot = 0;
    for (let i = k; i < n; i++) dot += v[i] * column[i];
    dot *= factors[k];
    for (let i = k; i < n; i++) column[i] -= dot * v[i];
  }
}
