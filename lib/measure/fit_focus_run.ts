/** Where the focus is, from the width of the stars at several positions of the focuser. */
import { robustFit } from "../stats/robust_fit.ts";

/** Result of {@linkcode fitFocusRun}. */
export interface FocusRunFit {
  /** Position of the focuser with the smallest stars, in the unit given. */
  readonly bestPosition: number;
  /** Width of the stars there, in the unit given: what air, optics and pixels leave. */
  readonly leastWidth: number;
  /** Growth of the width per unit of position far from focus. */
  readonly slope: number;
}

/**
 * Fit a focus run: the disc of defocus, which grows evenly with the distance from focus, and the width in focus add in
 * squares:
 *
 *     w² = w₀² + m² (z − z₀)²
 *
 * a parabola in z, fitted by Huber's method so that one gust does no harm. Given the widths of one cell of the field
 * at a time (`FieldMap.fwhmPixels`), the best positions of the cells lie on a plane for a tilted sensor and on a bowl
 * for a curved field.
 *
 * @param positions positions of the focuser, any unit; at least three different ones
 * @param widths FWHM or half-flux radius at each, any unit; those that are no numbers are left out
 * @throws {RangeError} if fewer than three positions are known or the widths have no least one among them
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { fitFocusRun } from "faintlight/parts";
 *
 * const fit = fitFocusRun([1000, 1100, 1200, 1300], [5, 3.2, 3.2, 5]);
 * assert.ok(Math.abs(fit.bestPosition - 1150) < 1e-6);
 * ```
 */
export function fitFocusRun(positions: readonly number[], widths: readonly number[]): FocusRunFit {
  if (positions.length !== widths.length) {
    throw new RangeError(
      `fitFocusRun: there must be one width for each position, but got ${positions.length} positions and ` +
        `${widths.length} widths`,
    );
  }
  const known = positions.map((z, i) => ({ z, w: widths[i] })).filter(({ z, w }) => Number.isFinite(z) && w > 0);
  const different = new Set(known.map(({ z }) => z)).size;
  if (different < 3) {
    throw new RangeError(`fitFocusRun: positions with a width must be at least three, but got ${different}`);
  }
  const least = Math.min(...known.map(({ z }) => z));
  const range = Math.max(...known.map(({ z }) => z)) - least;
  const u = known.map(({ z }) => 2 * (z - least) / range - 1);
  const fit = robustFit([u.map(() => 1), u, u.map((each) => each * each)], known.map(({ w }) => w * w));
  const [c0, c1, c2] = fit?.coefficients ?? [NaN, NaN, NaN];
  const at = -c1 / (2 * c2);
  const bottom = c0 - c1 * c1 / (4 * c2);
  if (!(c2 > 0 && bottom > 0)) {
    throw new RangeError(
      "fitFocusRun: widths must fall towards a position and rise again, but they do not; " +
        "take positions on both sides of the focus",
    );
  }
  return {
    bestPosition: least + (at + 1) / 2 * range,
    leastWidth: Math.sqrt(bottom),
    slope: Math.sqrt(c2) * 2 / range,
  };
}
