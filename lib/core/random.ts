/** Seeded random numbers, passed in and never global: the same seed gives the same numbers on every machine. */

/** A stream of random numbers. */
export interface RandomStream {
  /** Uniform in [0, 1), 53 bits. */
  uniform(): number;
  /** Standard normal deviate. */
  gaussian(): number;
  /** Poisson deviate of the given mean. */
  poisson(mean: number): number;
  /** A stream of its own, named; drawing from it does not move this one. */
  fork(name: string): RandomStream;
}

const rotl = (x: number, k: number) => (x << k) | (x >>> (32 - k));

function hash32(text: string, seed: number): number {
  let h = seed >>> 0;
  for (let i = 0; i < text.length; i++) {
    h = Math.imul(h ^ text.charCodeAt(i), 0x9e3779b1);
    h ^= h >>> 15;
  }
  h = Math.imul(h ^ (h >>> 16), 0x85ebca6b);
  h = Math.imul(h ^ (h >>> 13), 0xc2b2ae35);
  return (h ^ (h >>> 16)) >>> 0;
}

const bits = new DataView(new ArrayBuffer(8));

/**
 * Natural logarithm of a normal number > 0, from IEEE operations alone (room `core` imports nothing): 2 artanh series.
 */
function logarithm(x: number): number {
  bits.setFloat64(0, x);
  const high = bits.getInt32(0);
  bits.setInt32(0, (high & 0xfffff) | 0x3ff00000);
  let exponent = (high >>> 20) - 1023;
  let mantissa = bits.getFloat64(0);
  if (mantissa > Math.SQRT2) {
    mantissa /= 2;
    exponent += 1;
  }
  const s = (mantissa - 1) / (mantissa + 1);
  const q = s * s; // |s| < 0.172, so ten terms reach the last bit
  let sum = 1 / 21;
  for (let k = 19; k >= 1; k -= 2) sum = sum * q + 1 / k;
  return exponent * Math.LN2 + 2 * s * sum;
}

const halves = Float64Array.from({ length: 64 });
for (let k = 0, power = 1; k < 64; k++, power /= 2) halves[k] = power;

/** e^(−x) for 0 ≤ x < 40, from IEEE operations alone. */
function decay(x: number): number {
  const k = Math.floor(x / Math.LN2);
  const r = k * Math.LN2 - x; // −ln 2 < r ≤ 0
  let sum = 1;
  for (let n = 17; n >= 1; n--) sum = 1 + sum * r / n;
  return sum * halves[k];
}

/** Natural logarithm of n!, exact sums below 16, Stirling's series above (error below 1e-12). */
function logFactorial(n: number): number {
  if (n < 16) {
    let product = 1;
    for (let i = 2; i <= n; i++) product *= i;
    return logarithm(product);
  }
  const x = n + 1;
  const inverse = 1 / x;
  const q = inverse * inverse;
  return (x - 0.5) * logarithm(x) - x + 0.9189385332046727 + inverse * (1 / 12 - q * (1 / 360 - q / 1260));
}

/**
 * A stream from a seed: xoshiro128** (Blackman & Vigna 2018), seeded by hashing; Marsaglia's polar method for normal
 * deviates; Poisson by inversion below 30 and PTRS above (Hörmann 1993, Insurance: Math. & Economics 12, 39).
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { randomStream } from "faintlight/stats";
 *
 * assert.equal(randomStream(7).uniform(), randomStream(7).uniform());
 * assert.notEqual(randomStream(7).uniform(), randomStream(8).uniform());
 * ```
 */
export function randomStream(seed: number | string): RandomStream {
  const name = String(seed);
  let a = hash32(name, 1);
  let b = hash32(name, 2);
  let c = hash32(name, 3);
  let d = hash32(name, 4) | 1;
  const next = (): number => {
    const result = Math.imul(rotl(Math.imul(b, 5), 7), 9) >>> 0;
    const t = b << 9;
    c ^= a;
    d ^= b;
    b ^= c;
    a ^= d;
    c ^= t;
    d = rotl(d, 11);
    return result;
  };
  const uniform = (): number => (next() * 2 ** 21 + (next() >>> 11)) / 2 ** 53;
  let spare = NaN;
  const gaussian = (): number => {
    if (!Number.isNaN(spare)) {
      const kept = spare;
      spare = NaN;
      return kept;
    }
    for (;;) {
      const u = 2 * uniform() - 1;
      const v = 2 * uniform() - 1;
      const s = u * u + v * v;
      if (s >= 1 || s === 0) continue;
      const f = Math.sqrt(-2 * logarithm(s) / s);
      spare = v * f;
      return u * f;
    }
  };
  const poisson = (mean: number): number => {
    if (!(mean >= 0)) throw new RangeError(`poisson: mean must be ≥ 0, but got ${mean}`);
    if (mean === 0) return 0;
    if (mean < 30) {
      let k = 0;
      let p = decay(mean);
      let u = uniform();
      while (u > p && k < 1000) {
        u -= p;
        k += 1;
        p *= mean / k;
      }
      return k;
    }
    const root = Math.sqrt(mean);
    const bb = 0.931 + 2.53 * root;
    const aa = -0.059 + 0.02483 * bb;
    const inverseAlpha = 1.1239 + 1.1328 / (bb - 3.4);
    const vr = 0.9277 - 3.6224 / (bb - 2);
    const logMean = logarithm(mean);
    for (;;) {
      const u = uniform() - 0.5;
      const v = uniform();
      const us = 0.5 - Math.abs(u);
      const k = Math.floor((2 * aa / us + bb) * u + mean + 0.43);
      if (us >= 0.07 && v <= vr) return k;
      if (k < 0 || (us < 0.013 && v > us)) continue;
      if (logarithm(v * inverseAlpha / (aa / (us * us) + bb)) <= k * logMean - mean - logFactorial(k)) return k;
    }
  };
  return { uniform, gaussian, poisson, fork: (child) => randomStream(`${name}/${child}`) };
}
