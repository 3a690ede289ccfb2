/** Polynomial maps fitted to pairs of points, and their maps back. */
import { applyTransform, type PolynomialTransform, type Transform } from "../core/transform.ts";
import { leastSquares } from "../stats/least_squares.ts";
import type { PointColumns } from "./linear_models.ts";
import type { Box } from "./star_list.ts";

/** One direction of a polynomial map. */
type HalfPolynomial = PolynomialTransform["inverse"];

/** Coefficients a coordinate of a polynomial of a total degree. */
export const termCount = (degree: number): number => (degree + 1) * (degree + 2) / 2;

/** Polynomial of both coordinates by orthogonal least squares; null when the points do not determine it. */
function fitHalf(
  points: PointColumns,
  weights: Float64Array,
  degree: number,
  domain: HalfPolynomial["domain"],
): HalfPolynomial | null {
  const { n } = points;
  const terms = termCount(degree);
  const design = new Float64Array(n * terms);
  const right = new Float64Array(n * 2);
  for (let i = 0; i < n; i++) {
    const root = Math.sqrt(weights[i]);
    const a = (points.x[i] - domain.centreX) / domain.radius;
    const b = (points.y[i] - domain.centreY) / domain.radius;
    let term = i * terms;
    for (let order = 0; order <= degree; order++) {
      for (let j = 0; j <= order; j++) design[term++] = root * a ** (order - j) * b ** j;
    }
    right[i * 2] = root * points.u[i];
    right[i * 2 + 1] = root * points.v[i];
  }
  const c = leastSquares(design, right, n, terms, 2);
  if (c === null) return null;
  const at = (coordinate: 0 | 1) => Array.from({ length: terms }, (_, i) => c[i * 2 + coordinate]);
  return { degree, domain, x: at(0), y: at(1) };
}

/** Centre and half the longer side of a box: what brings its coordinates to −1 … 1. */
const domainOf = (box: Box): HalfPolynomial["domain"] => ({
  centreX: (box.x0 + box.x1) / 2,
  centreY: (box.y0 + box.y1) / 2,
  radius: Math.max(box.x1 - box.x0, box.y1 - box.y0, 1) / 2,
});

/** Points a side of the grid on which the map back is fitted. */
const inverseGrid = 33;

/** Polynomial without its map back, which {@linkcode withInverse} adds to the one that is kept. */
export function fitPolynomial(
  points: PointColumns,
  weights: Float64Array,
  degree: number,
  box: Box,
): Transform | null {
  const forward = fitHalf(points, weights, degree, domainOf(box));
  return forward === null ? null : { kind: "polynomial", ...forward, inverse: forward };
}

/**
 * The map back, fitted on a grid over the whole frame; two degrees richer, since the inverse of a polynomial is none.
 *
 * @throws {RangeError} if the polynomial folds the frame so that no map back can be found
 */
export function withInverse(transform: PolynomialTransform, box: Box): PolynomialTransform {
  const n = inverseGrid * inverseGrid;
  const columns = () => new Float64Array(n);
  const points: PointColumns = { n, x: columns(), y: columns(), u: columns(), v: columns() };
  const reach = { x0: Infinity, y0: Infinity, x1: -Infinity, y1: -Infinity };
  for (let j = 0, at = 0; j < inverseGrid; j++) {
    for (let i = 0; i < inverseGrid; i++, at++) {
      points.u[at] = box.x0 + (box.x1 - box.x0) * i / (inverseGrid - 1);
      points.v[at] = box.y0 + (box.y1 - box.y0) * j / (inverseGrid - 1);
      const p = applyTransform(transform, points.u[at], points.v[at]);
      points.x[at] = p.x;
      points.y[at] = p.y;
      reach.x0 = Math.min(reach.x0, p.x);
      reach.x1 = Math.max(reach.x1, p.x);
      reach.y0 = Math.min(reach.y0, p.y);
      reach.y1 = Math.max(reach.y1, p.y);
    }
  }
  const back = fitHalf(points, new Float64Array(n).fill(1), transform.degree + 2, domainOf(reach));
  if (back === null) {
    throw new RangeError(
      "fitTransform: the polynomial must be one-to-one over the frame, but it folds; use a stiffer model",
    );
  }
  return { ...transform, inverse: back };
}

/** Largest distance between a point of the frame and its image carried back, pixels. */
export function roundTripError(transform: PolynomialTransform, box: Box): number {
  const back: PolynomialTransform = { kind: "polynomial", ...transform.inverse, inverse: transform.inverse };
  let worst = 0;
  for (let j = 0; j <= 20; j++) {
    for (let i = 0; i <= 20; i++) {
      const x = box.x0 + (box.x1 - box.x0) * i / 20;
      const y = box.y0 + (box.y1 - box.y0) * j / 20;
      const p = applyTransform(transform, x, y);
      const q = applyTransform(back, p.x, p.y);
      worst = Math.max(worst, Math.hypot(q.x - x, q.y - y));
    }
  }
  return worst;
}
