/** The normal distribution, for constants and confidence; double precision. */

/** Standard normal density. */
export const normalDensity = (x: number): number => Math.exp(-0.5 * x * x) / Math.sqrt(2 * Math.PI);

/**
 * Probability that a standard normal deviate lies below x: power series near 0, continued fraction (Lentz) in the
 * tails; relative error below 1e-13 (Abramowitz & Stegun 26.2.10 and 26.2.14).
 */
export function normalProbability(x: number): number {
  if (!(Math.abs(x) < 40)) return x > 0 ? 1 : x < 0 ? 0 : NaN;
  const a = Math.abs(x);
  if (a < 3) {
    let term = a;
    let sum = a;
    for (let k = 1; k < 200 && term > 1e-17 * sum; k++) {
      term *= a * a / (2 * k + 1);
      sum += term;
    }
    const half = sum * normalDensity(a);
    return x < 0 ? 0.5 - half : 0.5 + half;
  }
  let fraction = a;
  for (let k = 120; k > 0; k--) fraction = a + k / fraction;
  const tail = normalDensity(a) / fraction;
  return x < 0 ? tail : 1 - tail;
}

/** Inverse of {@linkcode normalProbability}, by bisection and Newton steps. NaN outside 0 … 1. */
export function normalQuantile(p: number): number {
  if (!(p > 0 && p < 1)) return p === 0 ? -Infinity : p === 1 ? Infinity : NaN;
  let low = -39;
  let high = 39;
  for (let i = 0; i < 50; i++) {
    const middle = (low + high) / 2;
    if (normalProbability(middle) < p) low = middle;
    else high = middle;
  }
  let x = (low + high) / 2;
  for (let i = 0; i < 3; i++) {
    const slope = normalDensity(x);
    if (slope > 1e-300) x -= (normalProbability(x) - p) / slope;
  }
  return x;
}
