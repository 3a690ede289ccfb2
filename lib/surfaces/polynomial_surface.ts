/** Smooth surfaces as polynomials of low degree: fitted to scattered values, evaluated over a whole image. */
import { allocatePlane } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { applySurface } from "../kernels/surface.ts";

/** A value at a place. */
export interface SurfacePoint {
  /** Column. */
  readonly x: number;
  /** Row. */
  readonly y: number;
  /** The value there. */
  readonly value: number;
  /** Relative trust, ≥ 0. */
  readonly weight?: number;
}

/**
 * Sum of products of Legendre polynomials P_i(u) P_j(v), i + j ≤ degree, with u and v running from −1 to 1 over the
 * image.
 */
export interface PolynomialSurface {
  /** Tag. */
  readonly kind: "polynomial";
  /** Columns of the image it covers. */
  readonly width: number;
  /** Rows of the image it covers. */
  readonly height: number;
  /** Total degree. */
  readonly degree: number;
  /** Coefficients in the order 00, 10, 01, 20, 11, 02 … (i of x, j of y). */
  readonly coefficients: readonly number[];
}

/** Options of {@linkcode fitPolynomialSurface}. */
export interface FitPolynomialSurfaceOptions {
  /** Columns of the image. */
  readonly width: number;
  /** Rows of the image. */
  readonly height: number;
  /** Total degree, 0 … 6. Above 4 corners run away. */
  readonly degree: number;
  /**
   * Whether the fourth power of the distance from the middle of the field joins the terms; degree 2 or 3 only. It is
   * what vignetting has beyond its parabola (cos⁴ of the field angle), about any centre, at one coefficient instead of
   * the five of a full degree 4. The surface is then of degree 4.
   */
  readonly radial: boolean;
}

/** What {@linkcode fitPolynomialSurface} uses for an option left out; the size has no default that would serve. */
export const fitPolynomialSurfaceDefaults: Readonly<FitPolynomialSurfaceOptions> = Object.freeze({
  width: NaN,
  height: NaN,
  degree: 2,
  radial: false,
});

/** Legendre polynomials P_0 … P_n at u, by P_{k+1} = ((2k+1) u P_k − k P_{k−1}) / (k+1). */
export function legendre(degree: number, u: number, out: Float64Array = new Float64Array(degree + 1)): Float64Array {
  out[0] = 1;
  if (degree > 0) out[1] = u;
  for (let k = 1; k < degree; k++) out[k + 1] = ((2 * k + 1) * u * out[k] - k * out[k - 1]) / (k + 1);
  return out;
}

const normalise = (at: number, size: number) => size > 1 ? 2 * at / (size - 1) - 1 : 0;

/**
 * The fourth power of the distance from the middle, in half diagonals, by Legendre products of degree 4 in the order of
 * {@linkcode PolynomialSurface}: u⁴ = (8 P₄ + 20 P₂ + 7)/35, u² = (2 P₂ + 1)/3.
 */
function radialCoefficients(width: number, height: number): Float64Array {
  const square = (width - 1) ** 2 + (height - 1) ** 2;
  const a = square > 0 ? (width - 1) ** 2 / square : 0;
  const b = 1 - a;
  const out = new Float64Array(15);
  out[0] = 7 * (a * a + b * b) / 35 + 2 * a * b / 9;
  out[3] = 20 * a * a / 35 + 4 * a * b / 9;
  out[5] = 20 * b * b / 35 + 4 * a * b / 9;
  out[10] = 8 * a * a / 35;
  out[12] = 8 * a * b / 9;
  out[14] = 8 * b * b / 35;
  return out;
}

/** The fourth power of the distance of a place from the middle of the field, in half diagonals. */
export function radialTerm(x: number, y: number, width: number, height: number): number {
  const square = (width - 1) ** 2 + (height - 1) ** 2;
  return square > 0 ? (((2 * x - width + 1) ** 2 + (2 * y - height + 1) ** 2) / square) ** 2 : 0;
}

/**
 * Fit a polynomial surface to scattered values by weighted least squares (Householder QR, Golub 1965).
 *
 * @param points at least as many with weight > 0 as the surface has coefficients, (degree + 1)(degree + 2) / 2, and one
 *   more with `radial`
 * @returns the surface. Cost: points × coefficients²
 * @throws {RangeError} if there are too few points, they do not determine the surface, or an option is out of range
 *
 * @example A plane is found exactly
 * ```ts
 * import assert from "node:assert/strict";
 * import { fitPolynomialSurface, polynomialSurfaceAt } from "faintlight/parts";
 *
 * const points = [[0, 0], [9, 1], [2, 8], [7, 7]].map(([x, y]) => ({ x, y, value: 5 + 2 * x - y }));
 * const surface = fitPolynomialSurface(points, { width: 10, height: 10, degree: 1 });
 * assert.ok(Math.abs(polynomialSurfaceAt(surface, 4, 4) - 9) < 1e-12);
 * ```
 */
export function fitPolynomialSurface(
  points: readonly SurfacePoint[],
  options: Partial<FitPolynomialSurfaceOptions>,
): PolynomialSurface {
  const { width, height, degree, radial } = settle("fitPolynomialSurface", fitPolynomialSurfaceDefaults, options);
  if (!(width >= 1 && height >= 1)) {
    throw new RangeError(`fitPolynomialSurface: width and height must be ≥ 1, but got ${width} × ${height}`);
  }
  if (!(Number.isInteger(degree) && degree >= 0 && degree <= 6)) {
    throw new RangeError(`fitPolynomialSurface: degree must be a whole number of 0 … 6, but got ${degree}`);
  }
  if (radial && degree !== 2 && degree !== 3) {
    throw new RangeError(`fitPolynomialSurface: degree must be 2 or 3 with radial, but got ${degree}`);
  }
  const full = (degree + 1) * (degree + 2) / 2;
  const n = full + (radial ? 1 : 0);
  const used = points.filter((p) => (p.weight ?? 1) > 0 && Number.isFinite(p.value));
  const m = used.length;
  if (m < n) {
    throw new RangeError(
      `fitPolynomialSurface: points must be at least ${n} for degree ${degree}, but got ${m}; lower the degree`,
    );
  }
  const a = new Float64Array(m * n);
  const b = new Float64Array(m);
  const px = new Float64Array(degree + 1);
  const py = new Float64Array(degree + 1);
  used.forEach((p, row) => {
    const root = Math.sqrt(p.weight ?? 1);
    legendre(degree, normalise(p.x, width), px);
    legendre(degree, normalise(p.y, height), py);
    for (let order = 0, at = row * n; order <= degree; order++) {
      for (let j = 0; j <= order; j++) a[at++] = root * px[order - j] * py[j];
    }
    if (radial) a[row * n + full] = root * radialTerm(p.x, p.y, width, height);
    b[row] = root * p.value;
  });
  for (let k = 0; k < n; k++) {
    let norm = 0;
    for (let i = k; i < m; i++) norm += a[i * n + k] * a[i * n + k];
    norm = Math.sqrt(norm);
    if (!(norm > 1e-9)) {
      throw new RangeError(
        `fitPolynomialSurface: points must spread over the field, but do not determine degree ${degree}; lower it`,
      );
    }
    const alpha = a[k * n + k] > 0 ? -norm : norm;
    const head = a[k * n + k] - alpha;
    let square = head * head;
    for (let i = k + 1; i < m; i++) square += a[i * n + k] * a[i * n + k];
    const reflect = (get: (i: number) => number, put: (i: number, v: number) => void) => {
      let dot = head * get(k);
      for (let i = k + 1; i < m; i++) dot += a[i * n + k] * get(i);
      const f = 2 * dot / square;
      put(k, get(k) - f * head);
      for (let i = k + 1; i < m; i++) put(i, get(i) - f * a[i * n + k]);
    };
    for (let c = k + 1; c < n; c++) reflect((i) => a[i * n + c], (i, v) => a[i * n + c] = v);
    reflect((i) => b[i], (i, v) => b[i] = v);
    a[k * n + k] = alpha;
  }
  const coefficients = new Array<number>(n).fill(0);
  for (let k = n - 1; k >= 0; k--) {
    let sum = b[k];
    for (let c = k + 1; c < n; c++) sum -= a[k * n + c] * coefficients[c];
    coefficients[k] = sum / a[k * n + k];
  }
  if (radial) {
    const whole = Array.from(
      radialCoefficients(width, height),
      (v, k) => v * coefficients[full] + (k < full ? coefficients[k] : 0),
    );
    return Object.freeze({ kind: "polynomial", width, height, degree: 4, coefficients: Object.freeze(whole) });
  }
  return Object.freeze({ kind: "polynomial", width, height, degree, coefficients: Object.freeze(coefficients) });
}

/**
 * Value of a polynomial surface at one place.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { polynomialSurfaceAt } from "faintlight/parts";
 *
 * const flat = { kind: "polynomial", width: 4, height: 4, degree: 0, coefficients: [7] } as const;
 * assert.equal(polynomialSurfaceAt(flat, 1.5, 3), 7);
 * ```
 */
export function polynomialSurfaceAt(surface: PolynomialSurface, x: number, y: number): number {
  const { degree, coefficients, width, height } = surface;
  const px = legendre(degree, normalise(x, width));
  const py = legendre(degree, normalise(y, height));
  let sum = 0;
  for (let order = 0, at = 0; order <= degree; order++) {
    for (let j = 0; j <= order; j++) sum += coefficients[at++] * px[order - j] * py[j];
  }
  return sum;
}

/**
 * Value of a polynomial surface at every pixel, row by row.
 *
 * Cost: degree multiplications a pixel: along a row the surface is a polynomial in x, taken by Horner's rule.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { fitPolynomialSurface, renderPolynomialSurface } from "faintlight/parts";
 *
 * const points = [[0, 0], [2, 0], [0, 1], [2, 1]].map(([x, y]) => ({ x, y, value: x + 10 * y }));
 * const surface = fitPolynomialSurface(points, { width: 3, height: 2, degree: 1 });
 * assert.deepEqual([...renderPolynomialSurface(surface)].map((v) => Math.round(v)), [0, 1, 2, 10, 11, 12]);
 * ```
 */
export function renderPolynomialSurface(surface: PolynomialSurface): Float32Array {
  const { width, height, degree, coefficients } = surface;
  const out = allocatePlane(width, height);
  // Legendre polynomials as sums of powers: row k holds the coefficients of P_k.
  const powers: Float64Array[] = [];
  for (let k = 0; k <= degree; k++) {
    const row = new Float64Array(degree + 1);
    if (k < 2) row[k] = 1;
    else {
      for (let p = 0; p <= degree; p++) {
        row[p] = ((2 * k - 1) * (p > 0 ? powers[k - 1][p - 1] : 0) - (k - 1) * powers[k - 2][p]) / k;
      }
    }
    powers.push(row);
  }
  if (degree <= 4) {
    // Powers of u and v with v in units of the columns' half, as the kernel takes them.
    const radius = Math.max(1, width - 1) / 2;
    const stretch = radius / (Math.max(1, height - 1) / 2);
    const terms = new Array<number>((degree + 1) * (degree + 2) / 2).fill(0);
    for (let order = 0, at = 0; order <= degree; order++) {
      for (let j = 0; j <= order; j++, at++) {
        const k = order - j;
        for (let p = 0; p <= k; p++) {
          for (let q = 0; q <= j; q++) {
            const n = p + q;
            terms[n * (n + 1) / 2 + q] += coefficients[at] * powers[k][p] * powers[j][q] * stretch ** q;
          }
        }
      }
    }
    const shape = { terms, centreX: (width - 1) / 2, centreY: (height - 1) / 2, radius };
    return applySurface(null, width, height, shape, "none", out);
  }
  const py = new Float64Array(degree + 1);
  const row = new Float64Array(degree + 1);
  for (let y = 0, i = 0; y < height; y++) {
    legendre(degree, normalise(y, height), py);
    row.fill(0);
    for (let order = 0, at = 0; order <= degree; order++) {
      for (let j = 0; j <= order; j++) {
        const factor = coefficients[at++] * py[j];
        const k = order - j;
        for (let p = 0; p <= k; p++) row[p] += factor * powers[k][p];
      }
    }
    for (let x = 0; x < width; x++) {
      const u = normalise(x, width);
      let sum = row[degree];
      for (let p = degree - 1; p >= 0; p--) sum = sum * u + row[p];
      out[i++] = sum;
    }
  }
  return out;
}
