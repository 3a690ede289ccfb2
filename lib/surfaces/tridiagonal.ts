/**
 * Symmetric tridiagonal matrices: a full matrix is brought to this form once, after which each shifted system and each
 * trace costs a linear number of operations.
 */

/** A symmetric matrix as Q T Qᵀ with T tridiagonal and Q a product of Householder reflections. */
export interface Tridiagonal {
  /** Rows and columns. */
  readonly n: number;
  /** Diagonal of T. */
  readonly diagonal: Float64Array;
  /** Elements beside the diagonal of T. */
  readonly off: Float64Array;
  /** Householder vectors, row k for step k, length 1 in the leading element's scale. */
  readonly vectors: Float64Array;
  /** Factor of each reflection. */
  readonly factors: Float64Array;
}

/**
 * Symmetric matrix → tridiagonal by Householder reflections (Golub & Van Loan, section 8.3.1); overwrites the matrix.
 */
export function tridiagonalise(matrix: Float64Array, n: number): Tridiagonal {
  const diagonal = new Float64Array(n);
  const off = new Float64Array(Math.max(0, n - 1));
  const vectors = new Float64Array(n * n);
  const factors = new Float64Array(n);
  const p = new Float64Array(n);
  for (let k = 0; k + 2 < n; k++) {
    let sum = 0;
    for (let i = k + 1; i < n; i++) sum += matrix[i * n + k] ** 2;
    const length = Math.sqrt(sum);
    const head = matrix[(k + 1) * n + k];
    const alpha = head > 0 ? -length : length;
    off[k] = alpha;
    if (!(length > 0)) continue;
    const v = vectors.subarray(k * n, k * n + n);
    for (let i = k + 1; i < n; i++) v[i] = matrix[i * n + k];
    v[k + 1] -= alpha;
    const factor = -1 / (alpha * v[k + 1]);
    factors[k] = factor;
    let dot = 0;
    for (let i = k + 1; i < n; i++) {
      let row = 0;
      for (let j = k + 1; j < n; j++) row += matrix[i * n + j] * v[j];
      p[i] = factor * row;
      dot += p[i] * v[i];
    }
    const half = factor * dot / 2;
    for (let i = k + 1; i < n; i++) p[i] -= half * v[i];
    for (let i = k + 1; i < n; i++) {
      const vi = v[i];
      const pi = p[i];
      const row = i * n;
      for (let j = k + 1; j < n; j++) matrix[row + j] -= vi * p[j] + pi * v[j];
    }
  }
  for (let i = 0; i < n; i++) diagonal[i] = matrix[i * n + i];
  if (n > 1) off[n - 2] = matrix[(n - 1) * n + n - 2];
  return { n, diagonal, off, vectors, factors };
}

/** Apply the reflections to a vector: forwards is Qᵀ, backwards is Q. */
export function reflect(t: Tridiagonal, vector: Float64Array, backwards: boolean): void {
  const { n, vectors, factors } = t;
  for (let step = 0; step + 2 < n; step++) {
    const k = backwards ? n - 3 - step : step;
    const v = vectors.subarray(k * n, k * n + n);
    let dot = 0;
    for (let i = k + 1; i < n; i++) dot += v[i] * vector[i];
    dot *= factors[k];
    if (dot !== 0) { for (let i = k + 1; i < n; i++) vector[i] -= dot * v[i]; }
  }
}

/** Solve (T + shift) s = right; null when a pivot is not above the floor. */
export function solveShifted(
  t: Tridiagonal,
  shift: number,
  right: Float64Array,
  floor: number,
): Float64Array | null {
  const { n, diagonal, off } = t;
  const pivot = new Float64Array(n);
  const out = right.slice();
  for (let i = 0; i < n; i++) {
    const carried = i > 0 ? off[i - 1] / pivot[i - 1] : 0;
    pivot[i] = diagonal[i] + shift - (i > 0 ? carried * off[i - 1] : 0);
    if (!(pivot[i] > floor)) return null;
    if (i > 0) out[i] -= carried * out[i - 1];
  }
  for (let i = n - 1; i >= 0; i--) out[i] = (out[i] - (i + 1 < n ? off[i] * out[i + 1] : 0)) / pivot[i];
  return out;
}

/** Trace of (T + shift)⁻¹, from the pivots of elimination from above and from below. */
export function traceOfInverse(t: Tridiagonal, shift: number): number {
  const { n, diagonal, off } = t;
  const down = new Float64Array(n);
  for (let i = 0; i < n; i++) down[i] = diagonal[i] + shift - (i > 0 ? off[i - 1] ** 2 / down[i - 1] : 0);
  let below = 0;
  let trace = 0;
  for (let i = n - 1; i >= 0; i--) {
    const up = diagonal[i] + shift - (i + 1 < n ? off[i] ** 2 / below : 0);
    below = up;
    trace += 1 / (down[i] + up - diagonal[i] - shift);
  }
  return trace;
}
