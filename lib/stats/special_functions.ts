/**
 * Special functions of statistics, double precision: the normal distribution, the incomplete beta function and tails
 * made of it.
 */

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
