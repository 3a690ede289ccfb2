/** The Gaussian ellipse that stands for the shape of a star, and how finely pixels must sample it. */
import type { Sampling } from "../core/sampling.ts";

/** Second moments of a Gaussian ellipse, pixels². */
export interface Ellipse {
  /** Variance along x. */
  readonly xx: number;
  /** Covariance. */
  readonly xy: number;
  /** Variance along y. */
  readonly yy: number;
}

/**
 * Least variance s², per axis, of weight times star for which sums over pixels stand for integrals: a centroid is then
 * off by at most 8π (s²/p) exp(−2π² s²/p²) = 0.004 p, p being the pitch: 1 pixel, or √2 between the green pixels of a
 * mosaic.
 */
export const resolvedVariance = (sampling: Sampling): number => sampling.parity === -1 ? 0.4 : 0.8;

/** The ellipse alone of a value that has more. */
export const ellipseOf = ({ xx, xy, yy }: Ellipse): Ellipse => ({ xx, xy, yy });

/** A circle of a variance. */
export const circle = (variance: number): Ellipse => ({ xx: variance, xy: 0, yy: variance });

/** Variance along the short axis. */
export const shortVariance = ({ xx, xy, yy }: Ellipse): number => (xx + yy) / 2 - Math.hypot((xx - yy) / 2, xy);

/** Variance along the long axis. */
export const longVariance = ({ xx, xy, yy }: Ellipse): number => (xx + yy) / 2 + Math.hypot((xx - yy) / 2, xy);

/** Area over π: product of the two standard deviations. */
export const ellipseArea = ({ xx, xy, yy }: Ellipse): number => Math.sqrt(xx * yy - xy * xy);

/** Flux of a Gaussian of an ellipse and a height. */
export const gaussianFlux = (height: number, shape: Ellipse): number => height * 2 * Math.PI * ellipseArea(shape);

/** Height of a Gaussian of an ellipse and a flux. */
export const gaussianHeight = (flux: number, shape: Ellipse): number => flux / (2 * Math.PI * ellipseArea(shape));

/** Eccentricity √(1 − b²/a²) of an ellipse whose spin-2 shape has the size χ = (a² − b²) / (a² + b²). */
export const eccentricityOf = (chi: number): number => Math.sqrt(2 * chi / (1 + chi));
