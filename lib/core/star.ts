/** A measured star. */

/** Position, light and shape of one star on one plane, in pixels of that plane; the first pixel's centre is (0, 0). */
export interface Star {
  /** Windowed centroid, column. */
  readonly x: number;
  /** Windowed centroid, row. */
  readonly y: number;
  /** Light above the local background, in the unit of the plane. */
  readonly flux: number;
  /** Highest sample above the local background. */
  readonly peak: number;
  /** Signal-to-noise ratio of the flux. */
  readonly snr: number;
  /** Full width at half maximum, geometric mean of the axes. */
  readonly fwhmPixels: number;
  /** √(1 − b²/a²), corrected for the bias that noise gives. */
  readonly eccentricity: number;
  /** Direction of the long axis, from +x towards +y as stored, 0 … 180. */
  readonly elongationDegrees: number;
  /** Spin-2 shape (a² − b²)/(a² + b²) · (cos 2θ, sin 2θ): average these, never eccentricities. */
  readonly shape: readonly [number, number];
  /** Radius that holds half of the light within the measuring aperture. */
  readonly halfFluxRadiusPixels: number;
  /** Level of the background under the star. */
  readonly background: number;
  /** Whether a sample is at or above the saturation level. */
  readonly saturated: boolean;
}
