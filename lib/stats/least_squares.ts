/** Small dense systems: least squares by orthogonal transforms, symmetric systems by Cholesky factors. */

/**
 * Solve min ‖A X − B‖ by Householder reflections with column scaling (Golub & Van Loan, Matrix Computations, section
 * 5.2).
 *
 * @param design `rows` × `columns` numbers, row by row; overwritten
 * @param right `rows` × `count` numbers, row by row; overwritten
 * @returns `columns` × `count` numbers, or null when the columns are not independent
 */
export function leastSquares(
  design: Float64Array,
  right: Float64Array,
  rows: number,
  columns: number,
  count: number,
): Float64Array | null {
  const norms = new Float64Array(columns);
  for (let c = 0; c < columns; c++) {
    let sum = 0;
    for (let r = 0; r < rows; r++) sum += design[r * columns + c] ** 2;
    norms[c] = Math.sqrt(sum);
    if (!(norms[c] > 0)) return null;
    for (let r = 0; r < rows; r++) design[r * columns + c] /= norms[c];
  }
  for (let c = 0; c < columns; c++) {
    let sum = 0;
    for (let r = c; r < rows; r++) sum += design[r * columns + c] ** 2;
    const length = Math.sqrt(sum);
    // columns have length 1, so what is left of a dependent one is rounding
    if (!(length > 1e-12)) return null;
    const head = design[c * columns + c];
    const alpha = head > 0 ? -length : length;
    const v0 = head - alpha;
    const scale = -1 / (alpha * v0);
    design[c * columns + c] = v0;
    for (let k = c + 1; k < columns; k++) {
      let dot = 0;
      for (let r = c; r < rows; r++) dot += design[r * columns + c] * design[r * columns + k];
      dot *= scale;
      for (let r = c; r < rows; r++) design[r * columns + k] -= dot * design[r * columns + c];
    }
    for (let k = 0; k < count; k++) {
      let dot = 0;
      for (let r = c; r < rows; r++) dot += design[r * columns + c] * right[r * count + k];
      dot *= scale;
      for (let r = c; r < rows; r++) right[r * count + k] -= dot * design[r * columns + c];
    }
    design[c * columns + c] = alpha;
  }
  const solution = new Float64Array(columns * count);
  for (let k = 0; k < count; k++) {
    for (let c = columns - 1; c >= 0; c--) {
      let sum = right[c * count + k];
      for (let j = c + 1; j < columns; j++) sum -= design[c * columns + j] * solution[j * count + k];
      solution[c * count + k] = sum / design[c * columns + c];
    }
  }
  for (let c = 0; c < columns; c++) for (let k = 0; k < count; k++) solution[c * count + k] /= norms[c];
  return solution;
}

/**
 * Solve the symmetric positive definite system A x = b (row by row, n × n) by Cholesky factors; `null` when A is not
 * positive definite to double precision.
 */
export function solveSymmetric(a: Float64Array, b: Float64Array): Float64Array | null {
  const n = b.length;
  const l = new Float64Array(n * n);
  for (let i = 0; i < n; i++) {
    for (let j = 0; j <= i; j++) {
      let sum = a[i * n + j];
      for (let k = 0; k < j; k++) sum -= l[i * n + k] * l[j * n + k];
      if (i === j) {
        if (!(sum > 1e-13 * Math.abs(a[i * n + i]))) return null;
        l[i * n + i] = Math.sqrt(sum);
      } else l[i * n + j] = sum / l[j * n + j];
    }
  }
  const x = new Float64Array(n);
  for (let i = 0; i < n; i++) {
    let sum = b[i];
    for (let k = 0; k < i; k++) sum -= l[i * n + k] * x[k];
    x[i] = sum / l[i * n + i];
  }
  for (let i = n - 1; i >= 0; i--) {
    let sum = x[i];
    for (let k = i + 1; k < n; k++) sum -= l[k * n + i] * x[k];
    x[i] = sum / l[i * n + i];
  }
  return x;
}
