/** One quantity against another, with what both share with a surface taken off. */

/** What {@linkcode partialFit} found. */
export interface PartialFit {
  /** Change of y for a change of x. */
  readonly slope: number;
  /** Standard error of the slope, from the scatter about the fit. */
  readonly error: number;
  /** Correlation of what is left of both. */
  readonly correlation: number;
}

/** Terms of the surface: level, two slopes, three of curvature. */
const TERMS = 6;

/**
 * Fit y = slope · x + a surface of second order over the places (dx, dy), by least squares: the surface's terms are
 * made orthogonal and taken off both (Gram and Schmidt; Frisch, Waugh and Lovell 1963 for the slope being that of the
 * whole fit).
 *
 * @param dx places, about their middle, so that the terms stay well apart
 * @returns zeros, with an infinite error, where x has nothing of its own
 */
export function partialFit(
  dx: ArrayLike<number>,
  dy: ArrayLike<number>,
  x: ArrayLike<number>,
  y: ArrayLike<number>,
): PartialFit {
  const n = x.length;
  const columns = Array.from({ length: TERMS + 2 }, () => new Float64Array(n));
  for (let k = 0; k < n; k++) {
    columns[0][k] = 1;
    columns[1][k] = dx[k];
    columns[2][k] = dy[k];
    columns[3][k] = dx[k] * dx[k];
    columns[4][k] = dx[k] * dy[k];
    columns[5][k] = dy[k] * dy[k];
    columns[TERMS][k] = x[k];
    columns[TERMS + 1][k] = y[k];
  }
  const product = (a: Float64Array, b: Float64Array) => {
    let sum = 0;
    for (let k = 0; k < n; k++) sum += a[k] * b[k];
    return sum;
  };
  for (let c = 0; c < TERMS; c++) {
    const own = product(columns[c], columns[c]);
    if (!(own > 1e-9 * n)) continue;
    for (let d = c + 1; d < TERMS + 2; d++) {
      const share = product(columns[c], columns[d]) / own;
      const from = columns[c];
      const to = columns[d];
      for (let k = 0; k < n; k++) to[k] -= share * from[k];
    }
  }
  const [u, v] = columns.slice(TERMS);
  const uu = product(u, u);
  const vv = product(v, v);
  const uv = product(u, v);
  if (!(uu > 0 && vv > 0 && n > TERMS + 1)) return { slope: 0, error: Infinity, correlation: 0 };
  const left = Math.max(0, vv - uv * uv / uu) / (n - TERMS - 1);
  return { slope: uv / uu, error: Math.sqrt(left / uu), correlation: uv / Math.sqrt(uu * vv) };
}
