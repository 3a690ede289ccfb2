/**
 * How width and shape of the stars change over the field: tilt, curvature, rotation of the field, off-axis aberration.
 */
import { median } from "../stats/median.ts";
import { robustFit } from "../stats/robust_fit.ts";
import { fwhmPerSigma } from "../core/constants.ts";
import type { Point } from "../core/geometry.ts";
import type { Star } from "../core/star.ts";

/** Rotation of the field during the exposure, as the stars' shapes show it. */
export interface FieldRotation {
  /** Angle turned during the exposure, degrees, without sign: a trail does not tell its sense. */
  readonly degrees: number;
  /** Point that stood still, pixels; it may lie outside the frame. */
  readonly centre: Point;
  /** The fitted growth of a² − b² with the square of the distance over its standard error. */
  readonly significance: number;
}

/** Maps over the field and what they say. */
export interface FieldMap {
  /** Cells across. */
  readonly columns: number;
  /** Cells down. */
  readonly rows: number;
  /** Median FWHM of each cell, pixels, row by row; NaN with fewer than three stars. */
  readonly fwhmPixels: readonly number[];
  /** Median first shape component of each cell. */
  readonly shape1: readonly number[];
  /** Median second shape component of each cell. */
  readonly shape2: readonly number[];
  /** Stars of each cell. */
  readonly stars: readonly number[];
  /**
   * Change of FWHM² from the middle to a corner along the clipLimit direction, as a share: the tilt of the sensor or of
   * the focus.
   */
  readonly tilt: number;
  /** Direction in which stars grow, from +x towards +y, 0 … 360. */
  readonly tiltDegrees: number;
  /** Tilt over its standard error. */
  readonly tiltSignificance: number;
  /**
   * Change of FWHM² from the middle to a corner by the square of the distance, as a share: curvature, wrong spacing.
   */
  readonly curvature: number;
  /** Curvature over its standard error. */
  readonly curvatureSignificance: number;
  /**
   * Tangential elongation that grows with the distance from a centre; null when the frame shows none (or too few
   * stars).
   */
  readonly rotation: FieldRotation | null;
  /** Radial elongation at a corner, as (a² − b²)/(a² + b²); negative for tangential; NaN when it cannot be fitted. */
  readonly radialShape: number;
  /** Radial elongation over its standard error. */
  readonly radialSignificance: number;
}

const median0 = (values: readonly number[]) => values.length < 3 ? NaN : median(values);

/**
 * Map width and shape over the field and fit tilt, curvature, rotation.
 *
 *     FWHM² = c₀ + c₁ u + c₂ v + c₃ (u² + v²)        u, v from the middle, in units of the half diagonal
 *     Q = Q₀ − k ((x − x_c)² − (y − y_c)², 2 (x − x_c)(y − y_c))     Q = (a² − b²)(cos 2θ, sin 2θ)
 *
 * Rotation by dφ draws a star at distance ρ out over ρ dφ along the tangent, which adds (ρ dφ)²/12 to the variance
 * there: k = dφ²/12. Both fits are Huber's and linear (the centre is k x_c, k y_c over k). Only stars with a shape of
 * their own count (unsaturated, signal-to-noise ratio 12 and better).
 *
 * @param stars measured stars
 * @param width columns of the frame
 * @param height rows of the frame
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { mapField } from "faintlight";
 *
 * assert.ok(Number.isNaN(mapField([], 100, 80).tilt));
 * ```
 */
export function mapField(stars: readonly Star[], width: number, height: number): FieldMap {
  const good = stars.filter((star) => !star.saturated && star.snr >= 12);
  const columns = width >= height ? 7 : 5;
  const rows = width >= height ? 5 : 7;
  const cells: Star[][] = Array.from({ length: columns * rows }, () => []);
  for (const star of good) {
    const c = Math.max(0, Math.min(columns - 1, Math.floor((star.x + 0.5) / width * columns)));
    const r = Math.max(0, Math.min(rows - 1, Math.floor((star.y + 0.5) / height * rows)));
    cells[r * columns + c].push(star);
  }
  const radius = Math.hypot(width, height) / 2;
  const cx = (width - 1) / 2;
  const cy = (height - 1) / 2;
  const u = good.map((star) => (star.x - cx) / radius);
  const v = good.map((star) => (star.y - cy) / radius);
  const r2 = u.map((each, i) => each * each + v[i] * v[i]);
  const ones = u.map(() => 1);
  const size2 = good.map((star) => star.fwhmPixels ** 2);
  const base = {
    columns,
    rows,
    fwhmPixels: cells.map((cell) => median0(cell.map((star) => star.fwhmPixels))),
    shape1: cells.map((cell) => median0(cell.map((star) => star.shape[0]))),
    shape2: cells.map((cell) => median0(cell.map((star) => star.shape[1]))),
    stars: cells.map((cell) => cell.length),
  };
  // A bright star is known to a hundredth of its width at best, whatever its signal.
  const weights = good.map((star) => 1 / (4 / star.snr ** 2 + 4e-4));
  const shape = good.length < 12 ? null : robustFit([ones, u, v, r2], size2, { weights });
  const nothing: FieldMap = {
    ...base,
    tilt: NaN,
    tiltDegrees: NaN,
    tiltSignificance: 0,
    curvature: NaN,
    curvatureSignificance: 0,
    rotation: null,
    radialShape: NaN,
    radialSignificance: 0,
  };
  if (shape === null) return nothing;
  const [c0, c1, c2, c3] = shape.coefficients;
  const middle = c0 > 0 ? c0 : median(size2);
  const tilt = Math.hypot(c1, c2);
  const tiltError = Math.hypot(c1 * shape.errors[1], c2 * shape.errors[2]) / (tilt > 0 ? tilt : 1);
  const result: FieldMap = {
    ...nothing,
    tilt: tilt / middle,
    tiltDegrees: (Math.atan2(c2, c1) * 180 / Math.PI + 360) % 360,
    tiltSignificance: tilt / Math.max(tiltError, 1e-12 * middle),
    curvature: c3 / middle,
    curvatureSignificance: Math.abs(c3) / Math.max(shape.errors[3], 1e-12 * middle),
  };
  // Spin-2 field: two rows a star. Variance of the matched Gaussian: a b = (FWHM / 2.3548)², a² + b² = 2 a b / √(1 −
  // χ²).
  const sigma2 = good.map((star) => (star.fwhmPixels / fwhmPerSigma) ** 2);
  const trace = good.map((star, i) => {
    const chi2 = Math.min(0.999, star.shape[0] ** 2 + star.shape[1] ** 2);
    return 2 * sigma2[i] / Math.sqrt(1 - chi2);
  });
  const twice = <T>(first: readonly T[], second: readonly T[]) => [...first, ...second];
  const zero = u.map(() => 0);
  const q = twice(good.map((star, i) => star.shape[0] * trace[i]), good.map((star, i) => star.shape[1] * trace[i]));
  const terms = [
    twice(ones, zero),
    twice(zero, ones),
    twice(u.map((each, i) => -(each * each - v[i] * v[i])), u.map((each, i) => -2 * each * v[i])),
    twice(u.map((each) => 2 * each), v.map((each) => 2 * each)),
    twice(v.map((each) => -2 * each), u.map((each) => 2 * each)),
  ];
  // A variance is known to a share of itself, but weights by it would hear the middle alone, where no star trails.
  const spin = robustFit(terms, q, { weights: twice(weights, weights) });
  if (spin === null) return result;
  const [, , k, p1, p2] = spin.coefficients;
  const significance = k / Math.max(spin.errors[2], 1e-12 * middle);
  const typical = median(trace);
  const radial = { radialShape: -k / typical, radialSignificance: -significance };
  if (!(significance > 0)) return { ...result, ...radial };
  const degrees = Math.sqrt(12 * k) / radius * 180 / Math.PI;
  return {
    ...result,
    ...radial,
    rotation: { degrees, centre: { x: cx + p1 / k * radius, y: cy + p2 / k * radius }, significance },
  };
}
