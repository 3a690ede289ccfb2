/** Axis ratio, eccentricity and spin-2 shape of a star: one from another. */

/** Long over short axis from the modulus of the spin-2 shape (a² − b²)/(a² + b²). */
export const axisRatioOf = (shape: number): number => Math.sqrt((1 + shape) / Math.max(1e-6, 1 - shape));

/** Modulus of the spin-2 shape from the eccentricity √(1 − b²/a²). */
export function shapeOfEccentricity(eccentricity: number): number {
  const e2 = eccentricity * eccentricity;
  return e2 / (2 - e2);
}
