/**
 * Elementary functions made of + − × ÷, square root and bit operations only, all of which IEEE 754 defines to the last
 * bit: the same argument gives the same double on every processor and under every version of the engine, which
 * `Math.exp` and its kin do not promise. Pixels that depend on such a function are computed with these.
 *
 * Polynomials are Taylor series cut where the next term is below a quarter of the last bit; reductions follow Cody &
 * Waite 1980 (Software Manual for the Elementary Functions) and Muller et al. 2018 (Handbook of Floating-Point
 * Arithmetic). The stated errors are the largest seen against 60-digit values of mpmath, rounded to double
 * (fixtures/kernels).
 */

const bits = new DataView(new ArrayBuffer(8));
const highWord = (x: number): number => {
  bits.setFloat64(0, x);
  return bits.getInt32(0);
};
const withHighWord = (x: number, high: number): number => {
  bits.setFloat64(0, x);
  bits.setInt32(0, high);
  return bits.getFloat64(0);
};
/** 2^k for −1022 ≤ k ≤ 1023. */
const powerOfTwo = (k: number): number => withHighWord(0, (k + 1023) << 20);

/** x · 2^k, rounded once at most where the result is subnormal. */
function scale(x: number, k: number): number {
  if (k > 1023) return x * powerOfTwo(1023) * powerOfTwo(Math.min(k - 1023, 1023));
  if (k < -1022) return x * powerOfTwo(Math.max(k + 960, -1022)) * powerOfTwo(-960);
  return x * powerOfTwo(k);
}

/** ln 2 in two parts; the first has 32 bits, so that a whole number of up to 21 bits times it is exact. */
const ln2High = 0.6931471803691238;
const ln2Low = 1.9082149292705877e-10;
const inverseLn2 = 1.4426950408889634;

/** (e^(r + low) − 1 − r) for |r| ≤ 0.35. */
function exponentialTail(r: number, low: number): number {
  // Terms of order 3 to 14; the sum is at most a tenth of r² / 2.
  const q = 1 / 6 + r * (1 / 24 + r * (1 / 120 + r * (1 / 720 + r * (1 / 5040 + r * (1 / 40320 + r *
                          (1 / 362880 + r * (1 / 3628800 + r * (1 / 39916800 + r * (1 / 479001600 + r *
                                          (1 / 6227020800 + r * (1 / 87178291200)))))))))));
  return 0.5 * r * r + (r * r * r * q + (low + low * r));
}

/** e^(high + low); low is a correction below the last bits of high. */
function exponential(high: number, low: number): number {
  if (!(high < 709.79)) return high === high ? Infinity : NaN;
  if (high < -745.2) return 0;
  const k = Math.floor(high * inverseLn2 + 0.5);
  const a = high - k * ln2High;
  const b = low - k * ln2Low;
  const r = a + b;
  return scale(1 + (r + exponentialTail(r, (a - r) + b)), k);
}

/**
 * e^x. At most 1 unit in the last place from the true value rounded; overflow gives Infinity, underflow 0, NaN stays
 * NaN.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { expPortable } from "faintlight/extend";
 *
 * assert.equal(expPortable(0), 1);
 * assert.ok(Math.abs(expPortable(1) - Math.E) < 1e-15);
 * ```
 */
export const expPortable = (x: number): number => exponential(x, 0);

/** e^x − 1, exact for small x. */
function exponentialMinusOne(x: number): number {
  if (!(Math.abs(x) < 0.35)) return expPortable(x) - 1;
  return x + exponentialTail(x, 0);
}

/** s³ (2/3 + 2/5 s² + …): what 2 s lacks of ln((1 + s) / (1 − s)), for |s| ≤ 0.1716. */
function logarithmTail(s: number): number {
  const z = s * s;
  return s * z * (2 / 3 + z * (2 / 5 + z * (2 / 7 + z * (2 / 9 + z * (2 / 11 + z * (2 / 13 + z * (2 / 15 + z *
                              (2 / 17 + z * (2 / 19 + z * (2 / 21 + z * (2 / 23)))))))))));
}

/** x as m · 2^k with √½ ≤ m < √2, for finite x > 0. */
function split(x: number): { readonly m: number; readonly k: number } {
  let k = 0;
  if (x < 2.2250738585072014e-308) {
    x *= powerOfTwo(54);
    k = -54;
  }
  const high = highWord(x);
  // Adding 0.2929 of a binade moves the cut from 1 to √2.
  const moved = (high & 0xfffff) + 0x95f62;
  k += (high >>> 20) - 1023 + (moved >>> 20);
  return { m: withHighWord(x, (high & 0xfffff) | (0x3ff00000 - (moved & 0x100000))), k };
}

/**
 * ln x. At most 1 unit in the last place from the true value rounded; ln 0 = −Infinity, NaN for negative x.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { logPortable } from "faintlight/extend";
 *
 * assert.equal(logPortable(1), 0);
 * assert.ok(Math.abs(logPortable(2) - Math.LN2) < 1e-16);
 * ```
 */
export function logPortable(x: number): number {
  if (!(x > 0)) return x === 0 ? -Infinity : NaN;
  if (x === Infinity) return x;
  const { m, k } = split(x);
  const f = m - 1;
  const s = f / (2 + f);
  const half = 0.5 * f * f;
  // ln m = f − (f²/2 − s (f²/2 + tail / s)): f is exact, so only small terms are rounded.
  return k * ln2High - ((half - (s * half + logarithmTail(s) + k * ln2Low)) - f);
}

/** ln(1 + x) for x ≥ 0, exact for small x. */
function logarithmOfOnePlus(x: number): number {
  const u = 1 + x;
  // What was lost in the sum comes back as a correction of first order.
  return u === Infinity ? u : logPortable(u) + (x - (u - 1)) / u;
}

/**
 * Inverse hyperbolic sine. At most 2 units in the last place from the true value rounded.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { asinhPortable } from "faintlight/extend";
 *
 * assert.equal(asinhPortable(0), 0);
 * assert.ok(Math.abs(asinhPortable(-3) - Math.asinh(-3)) < 1e-15);
 * ```
 */
export function asinhPortable(x: number): number {
  const a = Math.abs(x);
  if (!(a < Infinity) || a < 1e-9) return x;
  const y = a > 1e9 ? logPortable(a) + 0.6931471805599453 : logarithmOfOnePlus(a + a * a / (1 + Math.sqrt(1 + a * a)));
  return x < 0 ? -y : y;
}

/**
 * Hyperbolic sine. At most 2 units in the last place from the true value rounded.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { sinhPortable } from "faintlight/extend";
 *
 * assert.equal(sinhPortable(0), 0);
 * assert.ok(Math.abs(sinhPortable(1) - 1.1752011936438014) < 1e-15);
 * ```
 */
export function sinhPortable(x: number): number {
  const a = Math.abs(x);
  if (!(a < Infinity)) return x;
  let y: number;
  if (a < 22) {
    const t = exponentialMinusOne(a);
    y = 0.5 * (t + t / (t + 1));
  } else if (a < 709) y = 0.5 * expPortable(a);
  else {
    const t = expPortable(0.5 * a);
    y = 0.5 * t * t;
  }
  return x < 0 ? -y : y;
}

const splitter = 134217729; // 2^27 + 1 (Dekker 1971)
/** a·b − product, exactly, where product is the rounded a·b. */
function productError(a: number, b: number, product: number): number {
  const ca = splitter * a;
  const cb = splitter * b;
  const ah = ca - (ca - a);
  const al = a - ah;
  const bh = cb - (cb - b);
  const bl = b - bh;
  return ((ah * bh - product) + ah * bl + al * bh) + al * bl;
}

/** 2/3 as the sum of two doubles. */
const twoThirds = 2 / 3;
const twoThirdsLow = 3.700743415417188e-17;

/** x^y for 0 < x < ∞ and finite y: e^(y ln x) with ln x in two doubles (about 68 bits). */
function positivePower(x: number, y: number): number {
  const { m, k } = split(x);
  const f = m - 1;
  const g = 2 + f;
  // s = f / (2 + f) in two doubles; 2 + f may have been rounded, its error is f − (g − 2).
  const s = f / g;
  const p = s * g;
  const sLow = ((f - p) - productError(s, g, p) - s * (f - (g - 2))) / g;
  // ln m = 2 s + 2/3 s³ + rest, the first two terms in two doubles each.
  const z = s * s;
  const zLow = productError(s, s, z) + 2 * s * sLow;
  const c = s * z;
  const cLow = productError(s, z, c) + s * zLow + sLow * z;
  const t = twoThirds * c;
  const tLow = productError(twoThirds, c, t) + twoThirds * cLow + twoThirdsLow * c;
  const rest = c * z * (2 / 5 + z * (2 / 7 + z * (2 / 9 + z * (2 / 11 + z * (2 / 13 + z * (2 / 15 + z * (2 / 17 + z *
                              (2 / 19 + z * (2 / 21 + z * (2 / 23 + z * (2 / 25)))))))))));
  const a = k * ln2High;
  const b = 2 * s;
  const sum = a + b;
  const lost = k === 0 ? 0 : b - (sum - a);
  const high1 = sum + t;
  const low1 = (t - (high1 - sum)) + (lost + (tLow + (2 * sLow + (rest + k * ln2Low))));
  const high = high1 + low1;
  const low = low1 - (high - high1);
  // y (high + low) in two doubles.
  const product = y * high;
  if (!(Math.abs(product) < 800)) return product > 0 ? Infinity : 0;
  const productLow = productError(y, high, product) + y * low;
  return exponential(product, productLow === productLow ? productLow : 0);
}

/**
 * x^y with the special values of IEEE 754 (x^0 = 1^y = 1, also for NaN). At most 1 unit in the last place from the
 * true value rounded.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { powPortable } from "faintlight/extend";
 *
 * assert.equal(powPortable(2, 10), 1024);
 * assert.ok(Math.abs(powPortable(0.5, 1 / 2.4) - 0.7491535384383408) < 1e-15);
 * ```
 */
export function powPortable(x: number, y: number): number {
  if (y === 0 || x === 1) return 1;
  if (x !== x || y !== y) return NaN;
  const a = Math.abs(x);
  const whole = Math.floor(y) === y;
  const odd = whole && Math.abs(y) < 9007199254740992 && y % 2 !== 0;
  let result: number;
  if (Math.abs(y) === Infinity) result = a === 1 ? 1 : (a > 1) === (y > 0) ? Infinity : 0;
  else if (a === 0 || a === Infinity) result = (a === 0) === (y > 0) ? 0 : Infinity;
  else if (x < 0 && !whole) return NaN;
  else result = y === 1 ? a : positivePower(a, y);
  const negative = (x < 0 || (x === 0 && 1 / x < 0)) && odd;
  return negative ? -result : result;
}

/** π/2 in three parts of 33, 33 and 53 bits. */
const halfPi1 = 1.5707963267341256;
const halfPi2 = 6.077100506303966e-11;
const halfPi3 = 2.0222662487959506e-21;
/** Arguments beyond this are refused (NaN): the reduction would no longer be exact. */
const largestAngle = 1e6;

/** sin(r + low) for |r| ≤ π/4. */
function sineKernel(r: number, low: number): number {
  const z = r * r;
  const q = 1 / 120 + z * (-1 / 5040 + z * (1 / 362880 + z * (-1 / 39916800 + z * (1 / 6227020800 + z *
                      (-1 / 1307674368000 + z * (1 / 355687428096000))))));
  const cube = r * z;
  return r + (cube * (-1 / 6 + z * q) + low * (1 - 0.5 * z));
}

/** cos(r + low) for |r| ≤ π/4. */
function cosineKernel(r: number, low: number): number {
  const z = r * r;
  const half = 0.5 * z;
  const w = 1 - half;
  const q = 1 / 24 + z * (-1 / 720 + z * (1 / 40320 + z * (-1 / 3628800 + z * (1 / 479001600 + z *
                      (-1 / 87178291200 + z * (1 / 20922789888000))))));
  return w + (((1 - w) - half) + (z * z * q - r * low));
}

/** Sine of x + quarter · π/2. */
function circular(x: number, quarter: number): number {
  if (!(Math.abs(x) <= largestAngle)) return NaN;
  const k = Math.floor(x * 0.6366197723675814 + 0.5);
  const a = x - k * halfPi1;
  const b = k * halfPi2;
  const c = a - b;
  const tail = ((a - c) - b) - k * halfPi3;
  const r = c + tail;
  const low = (c - r) + tail;
  const turn = ((k + quarter) % 4 + 4) % 4;
  const value = turn % 2 === 0 ? sineKernel(r, low) : cosineKernel(r, low);
  return turn < 2 ? value : -value;
}

/**
 * Sine of an angle in radians, |x| ≤ 1e6 (NaN beyond). At most 1 unit in the last place from the true value rounded.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { sinPortable } from "faintlight/extend";
 *
 * assert.ok(Math.abs(sinPortable(Math.PI / 6) - 0.5) < 1e-16);
 * ```
 */
export const sinPortable = (x: number): number => x === 0 ? x : circular(x, 0);

/**
 * Cosine of an angle in radians, |x| ≤ 1e6 (NaN beyond). At most 1 unit in the last place from the true value rounded.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { cosPortable } from "faintlight/extend";
 *
 * assert.ok(Math.abs(cosPortable(Math.PI / 3) - 0.5) < 2e-16);
 * ```
 */
export const cosPortable = (x: number): number => circular(x, 1);

/** atan(k / 8) in two doubles each. */
const arcHigh = [
  0,
  0.12435499454676144,
  0.24497866312686414,
  0.35877067027057225,
  0.4636476090008061,
  0.5585993153435624,
  0.6435011087932844,
  0.7188299996216245,
  0.7853981633974483,
];
const arcLow = [
  0,
  -3.1253241424539383e-18,
  1.0698755618734451e-17,
  -2.4623815582638635e-17,
  2.2698777452961687e-17,
  -5.4556305485916264e-18,
  1.5834785051444286e-17,
  -2.1478388444456983e-17,
  3.061616997868383e-17,
];

/**
 * Angle of the point (x, y) in radians, −π … π, with the signs of zero and the infinities of IEEE 754. At most 1 unit
 * in the last place from the true value rounded.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { atan2Portable } from "faintlight/extend";
 *
 * assert.equal(atan2Portable(1, 1), Math.PI / 4);
 * assert.equal(atan2Portable(0, -1), Math.PI);
 * ```
 */
export function atan2Portable(y: number, x: number): number {
  if (x !== x || y !== y) return NaN;
  let ax = Math.abs(x);
  let ay = Math.abs(y);
  const negativeX = x < 0 || (x === 0 && 1 / x < 0);
  const negativeY = y < 0 || (y === 0 && 1 / y < 0);
  if (ax === Infinity && ay === Infinity) ax = ay = 1;
  const steep = ay > ax;
  const small = steep ? ax : ay;
  const large = steep ? ay : ax;
  let high = 0;
  let low = 0;
  if (large > 0 && small > 0 && large < Infinity) {
    // Scaled away from overflow and underflow.
    const factor = large > 1e150 ? 1e-150 : large < 1e-150 ? 1e150 : 1;
    const s = small * factor;
    const l = large * factor;
    const k = Math.floor(8 * (s / l) + 0.5);
    const c = k / 8;
    // (t − c) / (1 + t c) with t = s / l, without forming t.
    const u = k === 0 ? s / l : ((s - c * l) - productError(c, l, c * l)) / (l + c * s);
    const z = u * u;
    const tail = u * z * (-1 / 3 + z * (1 / 5 + z * (-1 / 7 + z * (1 / 9 + z * (-1 / 11 + z * (1 / 13))))));
    high = arcHigh[k];
    low = arcLow[k] + tail + u;
    if (k === 0) {
      high = u;
      low = tail;
    }
  }
  if (steep) {
    low = 6.123233995736766e-17 - low;
    const a = 1.5707963267948966 - high;
    low += (1.5707963267948966 - a) - high;
    high = a;
  }
  if (negativeX) {
    low = 1.2246467991473532e-16 - low;
    const a = 3.141592653589793 - high;
    low += (3.141592653589793 - a) - high;
    high = a;
  }
  const angle = high + low;
  return negativeY ? -angle : angle;
}
