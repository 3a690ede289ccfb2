/** Maps from the pixels of one frame to those of another: a tagged union, each with its inverse. */
import type { Point } from "./geometry.ts";

/** 3 × 3 matrix, row by row: x' = (m00 x + m01 y + m02) / (m20 x + m21 y + m22), y' likewise with the second row. */
export type Matrix3 = readonly [number, number, number, number, number, number, number, number, number];

/** Shift, rotation and one scale; `reflected` when the sense of rotation is turned (a mirror in the light path). */
export interface SimilarityTransform {
  /** Tag. */
  readonly kind: "similarity";
  /** The map. */
  readonly matrix: Matrix3;
}
/** Any linear map with a shift. */
export interface AffineTransform {
  /** Tag. */
  readonly kind: "affine";
  /** The map. */
  readonly matrix: Matrix3;
}
/** A projective map. */
export interface HomographyTransform {
  /** Tag. */
  readonly kind: "homography";
  /** The map. */
  readonly matrix: Matrix3;
}
/**
 * Polynomials of total degree `degree` in u = (x − centreX) / radius, v = (y − centreY) / radius; terms in the order
 * 1, u, v, u², uv, v², u³ … The inverse is fitted with it, not derived.
 */
export interface PolynomialTransform {
  /** Tag. */
  readonly kind: "polynomial";
  /** Total degree, 2 or 3. */
  readonly degree: number;
  /** Centre and radius that normalise the source coordinates. */
  readonly domain: { readonly centreX: number; readonly centreY: number; readonly radius: number };
  /** Coefficients of x'. */
  readonly x: readonly number[];
  /** Coefficients of y'. */
  readonly y: readonly number[];
  /** The map back. */
  readonly inverse: Omit<PolynomialTransform, "inverse" | "kind">;
}
/** Any of the maps. */
export type Transform = SimilarityTransform | AffineTransform | HomographyTransform | PolynomialTransform;

/** The map that moves nothing. */
export const identityTransform: SimilarityTransform = Object.freeze({
  kind: "similarity",
  matrix: [1, 0, 0, 0, 1, 0, 0, 0, 1] as Matrix3,
});

function polynomialAt(p: Omit<PolynomialTransform, "inverse" | "kind">, x: number, y: number): Point {
  const u = (x - p.domain.centreX) / p.domain.radius;
  const v = (y - p.domain.centreY) / p.domain.radius;
  let sx = 0;
  let sy = 0;
  let at = 0;
  for (let order = 0; order <= p.degree; order++) {
    for (let j = 0; j <= order; j++, at++) {
      const term = u ** (order - j) * v ** j;
      sx += p.x[at] * term;
      sy += p.y[at] * term;
    }
  }
  return { x: sx, y: sy };
}

/**
 * Where a pixel of the source lies in the reference.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { applyTransform, identityTransform } from "faintlight/geometry";
 *
 * assert.deepEqual(applyTransform(identityTransform, 3, 4), { x: 3, y: 4 });
 * ```
 */
export function applyTransform(transform: Transform, x: number, y: number): Point {
  if (transform.kind === "polynomial") return polynomialAt(transform, x, y);
  const [a, b, c, d, e, f, g, h, i] = transform.matrix;
  const w = g * x + h * y + i;
  return { x: (a * x + b * y + c) / w, y: (d * x + e * y + f) / w };
}

/**
 * Product of two matrices: first `second`, then `first`.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { identityTransform, multiplyMatrix } from "faintlight/geometry";
 *
 * const { matrix } = identityTransform;
 * assert.deepEqual(multiplyMatrix(matrix, matrix), matrix);
 * ```
 */
export function multiplyMatrix(first: Matrix3, second: Matrix3): Matrix3 {
  const result: number[] = [];
  for (let r = 0; r < 3; r++) {
    for (let c = 0; c < 3; c++) {
      result.push(first[r * 3] * second[c] + first[r * 3 + 1] * second[3 + c] + first[r * 3 + 2] * second[6 + c]);
    }
  }
  return result as unknown as Matrix3;
}

/**
 * Inverse of a matrix.
 *
 * @throws {RangeError} if it has none
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { invertMatrix } from "faintlight/geometry";
 *
 * assert.deepEqual(invertMatrix([2, 0, 0, 0, 4, 0, 0, 0, 1]).slice(0, 5), [0.5, 0, 0, 0, 0.25]);
 * ```
 */
export function invertMatrix(m: Matrix3): Matrix3 {
  const [a, b, c, d, e, f, g, h, i] = m;
  const A = e * i - f * h;
  const B = f * g - d * i;
  const C = d * h - e * g;
  const det = a * A + b * B + c * C;
  if (!(Math.abs(det) > 1e-300)) {
    throw new RangeError(`invertMatrix: matrix must have an inverse, but its determinant is ${det}`);
  }
  return [A, c * h - b * i, b * f - c * e, B, a * i - c * g, c * d - a * f, C, b * g - a * h, a * e - b * d]
    .map((each) => each / det) as unknown as Matrix3;
}

/**
 * The map back.
 *
 * @throws {RangeError} if a matrix has no inverse
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { applyTransform, invertTransform } from "faintlight/geometry";
 *
 * const shift = { kind: "affine", matrix: [1, 0, 5, 0, 1, 7, 0, 0, 1] } as const;
 * assert.deepEqual(applyTransform(invertTransform(shift), 5, 7), { x: 0, y: 0 });
 * ```
 */
export function invertTransform(transform: Transform): Transform {
  if (transform.kind === "polynomial") {
    const { kind, inverse, ...forward } = transform;
    return { kind, ...inverse, inverse: forward };
  }
  const inverse = invertMatrix(transform.matrix);
  return { kind: transform.kind, matrix: inverse.map((each) => each / inverse[8]) as unknown as Matrix3 };
}

/**
 * The affine map that touches the transform at a point: value and first derivatives agree there.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { identityTransform, linearPart } from "faintlight/geometry";
 *
 * assert.deepEqual(linearPart(identityTransform, { x: 1, y: 1 }), identityTransform.matrix);
 * ```
 */
export function linearPart(transform: Transform, at: Point): Matrix3 {
  if (transform.kind !== "polynomial" && transform.kind !== "homography") return transform.matrix;
  const step = 0.5;
  const p = applyTransform(transform, at.x, at.y);
  const right = applyTransform(transform, at.x + step, at.y);
  const left = applyTransform(transform, at.x - step, at.y);
  const down = applyTransform(transform, at.x, at.y + step);
  const up = applyTransform(transform, at.x, at.y - step);
  const a = right.x - left.x;
  const d = right.y - left.y;
  const b = down.x - up.x;
  const e = down.y - up.y;
  return [a, b, p.x - a * at.x - b * at.y, d, e, p.y - d * at.x - e * at.y, 0, 0, 1];
}

/**
 * Two maps one behind the other, as an affine map: exact for affine maps, for others good near the point given.
 *
 * @param before carried out first
 * @param after carried out on its result
 * @param at where other maps are touched, a point before both
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { applyTransform, chainTransforms } from "faintlight/geometry";
 *
 * const shift = { kind: "affine", matrix: [1, 0, 5, 0, 1, 7, 0, 0, 1] } as const;
 * const double = { kind: "affine", matrix: [2, 0, 0, 0, 2, 0, 0, 0, 1] } as const;
 * assert.deepEqual(applyTransform(chainTransforms(shift, double, { x: 0, y: 0 }), 1, 1), { x: 12, y: 16 });
 * ```
 */
export function chainTransforms(before: Transform, after: Transform, at: Point): AffineTransform {
  const a = linearPart(before, at);
  const b = linearPart(after, applyTransform(before, at.x, at.y));
  return { kind: "affine", matrix: multiplyMatrix(b, a) };
}
