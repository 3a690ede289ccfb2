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
   * Change of FWHM² from the middle to a corner along the steepest direction, as a share: the tilt of the sensor or of
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

/** Least signal-to-noise ratio of a star with a shape of its own. */
const minimumSnr = 12;
/** Fewest stars of a cell with a median, and of a frame with a fit. */
const minimumCellStars = 3;
const minimumFitStars = 12;
/** Cells along the longer and the shorter side. */
const cellsLong = 7;
const cellsShort = 5;
/** Variance of a star's width or shape at SNR 1, relative; and the least: a bright star is known to a hundredth. */
const relativeVariance = 4;
const minimumVariance = 4e-4;
/** Least standard error against which a coefficient is held, as a share of the squared width. */
const minimumError = 1e-12;

/** The parts of a map that one fit gives. */
type CellMedians = Pick<FieldMap, "columns" | "rows" | "fwhmPixels" | "shape1" | "shape2" | "stars">;
type WidthSlopes = Pick<
  FieldMap,
  "tilt" | "tiltDegrees" | "tiltSignificance" | "curvature" | "curvatureSignificance"
>;
type ElongationSlopes = Pick<FieldMap, "rotation" | "radialShape" | "radialSignificance">;

const unknownWidths: WidthSlopes = {
  tilt: NaN,
  tiltDegrees: NaN,
  tiltSignificance: 0,
  curvature: NaN,
  curvatureSignificance: 0,
};
const unknownElongation: ElongationSlopes = { rotation: null, radialShape: NaN, radialSignificance: 0 };

/** Stars with their places in units of the frame's half diagonal. */
interface FieldStars {
  readonly stars: readonly Star[];
  /** Middle of the frame, pixels. */
  readonly centre: Point;
  /** Half diagonal, pixels. */
  readonly radius: number;
  readonly u: readonly number[];
  readonly v: readonly number[];
  readonly weights: readonly number[];
}

function placeStars(stars: readonly Star[], width: number, height: number): FieldStars {
  const radius = Math.hypot(width, height) / 2;
  const centre = { x: (width - 1) / 2, y: (height - 1) / 2 };
  return {
    stars,
    centre,
    radius,
    u: stars.map((star) => (star.x - centre.x) / radius),
    v: stars.map((star) => (star.y - centre.y) / radius),
    weights: stars.map((star) => 1 / (relativeVariance / star.snr ** 2 + minimumVariance)),
  };
}

/** Medians of width and shape of the cells of a frame. */
function cellMedians(stars: readonly Star[], width: number, height: number): CellMedians {
  const columns = width >= height ? cellsLong : cellsShort;
  const rows = width >= height ? cellsShort : cellsLong;
  const cells: Star[][] = Array.from({ length: columns * rows }, () => []);
  for (const star of stars) {
    const c = Math.max(0, Math.min(columns - 1, Math.floor((star.x + 0.5) / width * columns)));
    const r = Math.max(0, Math.min(rows - 1, Math.floor((star.y + 0.5) / height * rows)));
    cells[r * columns + c].push(star);
  }
  const medianOf = (of: (star: Star) => number) =>
    cells.map((cell) => cell.length < minimumCellStars ? NaN : median(cell.map(of)));
  return {
    columns,
    rows,
    fwhmPixels: medianOf((star) => star.fwhmPixels),
    shape1: medianOf((star) => star.shape[0]),
    shape2: medianOf((star) => star.shape[1]),
    stars: cells.map((cell) => cell.length),
  };
}

/** Tilt and curvature from the widths, and the squared width in the middle; null if they cannot be fitted. */
function fitWidths({ stars, u, v, weights }: FieldStars): { slopes: WidthSlopes; middle: number } | null {
  if (stars.length < minimumFitStars) return null;
  const width2 = stars.map((star) => star.fwhmPixels ** 2);
  const r2 = u.map((each, i) => each * each + v[i] * v[i]);
  const fit = robustFit([u.map(() => 1), u, v, r2], width2, { weights });
  if (fit === null) return null;
  const [c0, c1, c2, c3] = fit.coefficients;
  const middle = c0 > 0 ? c0 : median(width2);
  const tilt = Math.hypot(c1, c2);
  const tiltError = Math.hypot(c1 * fit.errors[1], c2 * fit.errors[2]) / (tilt > 0 ? tilt : 1);
  const slopes = {
    tilt: tilt / middle,
    tiltDegrees: (Math.atan2(c2, c1) * 180 / Math.PI + 360) % 360,
    tiltSignificance: tilt / Math.max(tiltError, minimumError * middle),
    curvature: c3 / middle,
    curvatureSignificance: Math.abs(c3) / Math.max(fit.errors[3], minimumError * middle),
  };
  return { slopes, middle };
}

/** a² + b² of a star's matched Gaussian: a b = (FWHM / 2.3548)², a² + b² = 2 a b / √(1 − χ²). */
function traceOf({ fwhmPixels, shape }: Star): number {
  const chi2 = Math.min(0.999, shape[0] ** 2 + shape[1] ** 2);
  return 2 * (fwhmPixels / fwhmPerSigma) ** 2 / Math.sqrt(1 - chi2);
}

/**
 * Rotation, or radial elongation, from the shapes: a spin-2 field, two rows a star. A variance is known to a share of
 * itself, but weights by it would hear the middle alone, where no star trails.
 */
function fitElongation(field: FieldStars, middle: number): ElongationSlopes {
  const { stars, centre, radius, u, v, weights } = field;
  const trace = stars.map(traceOf);
  const twice = <T>(first: readonly T[], second: readonly T[]) => [...first, ...second];
  const ones = u.map(() => 1);
  const zeros = u.map(() => 0);
  const q = twice(stars.map((star, i) => star.shape[0] * trace[i]), stars.map((star, i) => star.shape[1] * trace[i]));
  const terms = [
    twice(ones, zeros),
    twice(zeros, ones),
    twice(u.map((each, i) => -(each * each - v[i] * v[i])), u.map((each, i) => -2 * each * v[i])),
    twice(u.map((each) => 2 * each), v.map((each) => 2 * each)),
    twice(v.map((each) => -2 * each), u.map((each) => 2 * each)),
  ];
  const fit = robustFit(terms, q, { weights: twice(weights, weights) });
  if (fit === null) return unknownElongation;
  const [, , k, kx, ky] = fit.coefficients;
  const significance = k / Math.max(fit.errors[2], minimumError * middle);
  const radial = { radialShape: -k / median(trace), radialSignificance: -significance };
  if (!(significance > 0)) return { rotation: null, ...radial };
  return {
    rotation: {
      degrees: Math.sqrt(12 * k) / radius * 180 / Math.PI,
      centre: { x: centre.x + kx / k * radius, y: centre.y + ky / k * radius },
      significance,
    },
    ...radial,
  };
}

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
  const shaped = stars.filter((star) => !star.saturated && star.snr >= minimumSnr);
  const cells = cellMedians(shaped, width, height);
  const field = placeStars(shaped, width, height);
  const widths = fitWidths(field);
  if (widths === null) return { ...cells, ...unknownWidths, ...unknownElongation };
  return { ...cells, ...widths.slopes, ...fitElongation(field, widths.middle) };
}
