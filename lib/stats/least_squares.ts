/** Small dense linear algebra of this room: least squares by orthogonal transforms, the tail of the F distribution. */

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

/** Natural logarithm of the gamma function for x > 0: Stirling's series after shifting the argument above 10. */
export function logGamma(x: number): number {
  let shift = 0;
  let z = x;
  while (z < 10) shift += Math.log(z++);
  const r = 1 / (z * z);
  const series = (1 / 12 - r * (1 / 360 - r * (1 / 1260 - r * (1 / 1680 - r / 1188)))) / z;
  return (z - 0.5) * Math.log(z) - z + 0.5 * Math.log(2 * Math.PI) + series - shift;
}

/** Regularised incomplete beta function I_x(a, b): Lentz's continued fraction (Numerical Recipes, section 6.4). */
export function incompleteBeta(x: number, a: number, b: number): number {
  if (!(x > 0)) return 0;
  if (x >= 1) return 1;
  if (x > (a + 1) / (a + b + 2)) return 1 - incompleteBeta(1 - x, b, a);
  const front = Math.exp(
    logGamma(a + b) - logGamma(a) - logGamma(b) + a * Math.log(x) + b * Math.log(1 - x),
  ) / a;
  const tiny = 1e-300;
  let c = 1;
  let d = 1 - (a + b) * x / (a + 1);
  d = 1 / (Math.abs(d) < tiny ? tiny : d);
  let h = d;
  for (let m = 1; m <= 500; m++) {
    const even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m));
    d = 1 + even * d;
    c = 1 + even / c;
    d = 1 / (Math.abs(d) < tiny ? tiny : d);
    c = Math.abs(c) < tiny ? tiny : c;
    h *= d * c;
    const odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1));
    d = 1 + odd * d;
    c = 1 + odd / c;
    d = 1 / (Math.abs(d) < tiny ? tiny : d);
    c = Math.abs(c) < tiny ? tiny : c;
    const step = d * c;
    h *= step;
    if (Math.abs(step - 1) < 1e-15) break;
  }
  return front * h;
}

/** Chance that an F variate with `d1` and `d2` degrees of freedom is at least `f`. */
export const fTail = (f: number, d1: number, d2: number): number =>
  f > 0 ? incompleteBeta(d2 / (d2 + d1 * f), d2 / 2, d1 / 2) : 1;

/**
 * Natural logarithm of the chance of at least `hits` successes among `trials`, each of chance `p`: the leading term
 * times its geometric remainder, an upper bound that is tight in the far tail.
 */
export function logBinomialTail(hits: number, trials: number, p: number): number {
  if (!(hits > trials * p)) return 0;
  if (hits > trials) return -Infinity;
  if (!(p > 0)) return -Infinity;
  const term = logGamma(trials + 1) - logGamma(hits + 1) - logGamma(trials - hits + 1) + hits * Math.log(p) +
    (trials - hits) * Math.log(1 - p);
  const ratio = (trials - hits) * p / ((hits + 1) * (1 - p));
  return Math.min(0, term - Math.log(1 - ratio));
}

/** Number of RANSAC draws of `size` that hold an all-good one with the chance given (Fischler & Bolles 1981). */
export function ransacTrials(confidence: number, goodShare: number, size: number): number {
  const good = goodShare ** size;
  return good >= 1 ? 1 : Math.ceil(Math.log(1 - confidence) / Math.log(1 - good));
}
