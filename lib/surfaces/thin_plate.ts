/**
 * Thin-plate spline through scattered values: the smooth surface that bends least (Duchon 1977; Wahba 1990, Spline
 * Models for Observational Data, chapter 2).
 */

/** A fitted spline: z = Σ a_i r_i² ln r_i + b0 + b1 x + b2 y. */
export interface ThinPlate {
  /** Columns of the knots. */
  readonly x: Float64Array;
  /** Rows of the knots. */
  readonly y: Float64Array;
  /** Coefficients a_i. */
  readonly bend: Float64Array;
  /** Coefficients b0, b1, b2. */
  readonly plane: readonly [number, number, number];
  /** Smoothing used, in the units of the option. */
  readonly smoothing: number;
  /** Effective number of coefficients: 3 for a plane, the number of values for an interpolation. */
  readonly degreesOfFreedom: number;
  /** Root mean square of value minus surface, weighted. */
  readonly rms: number;
  /**
   * Root mean square error of prediction that the chosen cross-validation expects (gcv when the smoothing was given).
   */
  readonly predictionError: number;
}

/** r² ln r as a function of r². */
export const bendOf = (squared: number): number => squared > 0 ? 0.5 * squared * Math.log(squared) : 0;

/**
 * Height of the spline at one place.
 *
 * @example A spline through the corners of the unit square at 0 and its centre at 1
 * ```ts
 * import assert from "node:assert/strict";
 * import { fitThinPlate, thinPlateAt } from "faintlight/parts";
 *
 * const spline = fitThinPlate([0, 1, 0, 1, 0.5], [0, 0, 1, 1, 0.5], [0, 0, 0, 0, 1], { smoothing: 0 });
 * assert.ok(Math.abs(thinPlateAt(spline, 0.25, 0.25) - 0.58857071) < 1e-8);
 * ```
 */
export function thinPlateAt(spline: ThinPlate, x: number, y: number): number {
  const { x: kx, y: ky, bend, plane } = spline;
  let sum = plane[0] + plane[1] * x + plane[2] * y;
  for (let i = 0; i < bend.length; i++) sum += bend[i] * bendOf((x - kx[i]) ** 2 + (y - ky[i]) ** 2);
  return sum;
}
