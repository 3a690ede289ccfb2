/** Where the focus is best, from frames taken through it. */
import { robustFit } from "../stats/robust_fit.ts";

/** Result of {@linkcode fitFocusRun}. */
export interface FocusRun {
  /** Position of the focuser with the smallest stars. */
  readonly position: number;
  /** Half-flux radius there, in the unit of the radii. */
  readonly radius: number;
  /** Growth of the radius far from focus, a unit of position. */
  readonly slope: number;
}

/**
 * Best focus from a run of frames at several positions of the focuser: radius² = A² + m² (z − z₀)², because defocus adds a disc to
 * what air and optics make; linear in its coefficients as a parabola of the squared radius, fitted by Huber's estimate so that a gust
 * or a cloud in one frame does not move it. For the tilt of a sensor give the radii of one part of the field at a time.
 *
 * @param positions positions of the focuser, in any unit
 * @param radii half-flux radius at each (as `measureFrame` gives it), any unit; NaN is left out
 * @returns null for fewer than four known radii or where they do not open upwards
 * @throws {RangeError} if the lists differ in length
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { fitFocusRun } from "faintlight";
 *
 * const positions = [-100, -50, 0, 50, 100];
 * const run = fitFocusRun(positions, positions.map((z) => Math.hypot(1.8, 0.03 * (z - 12))));
 * assert.ok(run !== null && Math.abs(run.position - 12) < 1e-9);
 * ```
 */
export function fitFocusRun(positions: readonly number[], radii: readonly number[]): FocusRun | null {
  if (positions.length !== radii.length) {
    throw new RangeError(
      `fitFocusRun: positions and radii must be as many, but got ${positions.length} and ${radii.length}`,
    );
  }
  const known = positions.map((position, k) => ({ position, radius: radii[k] }))
    .filter(({ position, radius }) => Number.isFinite(position) && Number.isFinite(radius));
  if (known.length < 4) return null;
  // About their middle and by their extent, so that large step counts do not cost digits.
  const middle = known.reduce((sum, { position }) => sum + position, 0) / known.length;
  const extent = Math.max(...known.map(({ position }) => Math.abs(position - middle)));
  if (!(extent > 0)) return null;
  const u = known.map(({ position }) => (position - middle) / extent);
  const fit = robustFit([u.map(() => 1), u, u.map((each) => each * each)], known.map(({ radius }) => radius * radius));
  if (fit === null) return null;
  const [c, b, a] = fit.coefficients;
  if (!(a > 0)) return null;
  return {
    position: middle - extent * b / (2 * a),
    radius: Math.sqrt(Math.max(0, c - b * b / (4 * a))),
    slope: Math.sqrt(a) / extent,
  };
}
