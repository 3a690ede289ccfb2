/** A star as the search finds it, before the frame's profile turns width and flux into those of a real star. */
import { ellipseArea } from "./ellipse.ts";

/** A star as found: place, matched Gaussian and flux. */
export interface Candidate {
  /** Centre, column. */
  x: number;
  /** Centre, row. */
  y: number;
  /** Gaussian ellipse that fits it: variance along x. */
  xx: number;
  /** Covariance. */
  xy: number;
  /** Variance along y. */
  yy: number;
  /** Height of that Gaussian above the background. */
  height: number;
  /** Flux of the Gaussian of the frame's ellipse that fits it: less noisy, and right where all stars are alike. */
  frameFlux: number;
  /** Highest sample above the background. */
  peak: number;
  /** Signal-to-noise ratio. */
  snr: number;
  /** Background under it. */
  background: number;
  /** Whether it has reached the saturation level or is flat-topped. */
  saturated: boolean;
  /** Whether the ellipse is its own (else the frame's). */
  shaped: boolean;
  /** Variance of either component of its shape by noise. */
  shapeVariance: number;
}

/** What was turned down, by reason. */
export interface TurnedDown {
  /** Single bright pixels: hot pixels, cosmic rays. */
  readonly singlePixel: number;
  /** Narrower than a star of this frame. */
  readonly narrow: number;
  /** Wider than a star of this frame: nebula knots, galaxies, reflections. */
  readonly wide: number;
  /** Humps of a brighter star. */
  readonly partOfAnother: number;
  /** Touching the border. */
  readonly border: number;
}

/** Variance of either shape component of a star by noise, in the limit of sky noise (Bernstein & Jarvis 2002). */
export const shapeVarianceOf = (snr: number): number => 4 / (snr * snr);

/** Sort stars by the flux of their Gaussians, brightest first, equal ones in reading order. In place. */
export function sortByFlux(stars: Candidate[]): Candidate[] {
  const flux = (star: Candidate) => star.height * ellipseArea(star);
  return stars.sort((a, b) => flux(b) - flux(a) || a.y - b.y || a.x - b.x);
}
