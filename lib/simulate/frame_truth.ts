/** What is true about a simulated frame. */
import type { Json } from "../core/options.ts";
import type { Matrix3 } from "../core/transform.ts";

/** What is true about a frame, whatever a measurement finds. */
export interface FrameTruth {
  /** Filter, or `colour`. */
  readonly filter: string;
  /** Seconds. */
  readonly exposureSeconds: number;
  /** Start, UTC. */
  readonly dateUtc: string;
  /** From a pixel to the sky: arcseconds east and north of the scene's centre, row by row. */
  readonly skyMatrix: Matrix3;
  /** Arcseconds a pixel. */
  readonly arcsecPerPixel: number;
  /** Altitude of the target, degrees. */
  readonly altitudeDegrees: number;
  /** Share of the flux above the atmosphere that arrived in the middle of the field. */
  readonly transparency: number;
  /** Width of the Moffat profile in the middle of the field, before motion and defocus, pixels. */
  readonly fwhmPixels: number;
  /**
   * 2.3548 × the geometric mean of the axes' standard deviations, core (FWHM / 2.3548), motion and defocus added in
   * square.
   */
  readonly effectiveFwhmPixels: number;
  /** Eccentricity from the same sums, in the middle of the field. */
  readonly eccentricity: number;
  /** Direction of the long axis, from +x towards +y, 0 … 180. */
  readonly elongationDegrees: number;
  /** Sky in the middle of the field, electrons a pixel: R, G, B on a colour sensor, else one number. */
  readonly backgroundElectrons: readonly number[];
  /** Change of the sky from the middle to +x and to +y edge of the circle round the frame, share. */
  readonly backgroundSlope: readonly [number, number];
  /** Median dark signal, electrons. */
  readonly darkElectrons: number;
  /** Name of the fault; `none`. */
  readonly fault: string;
  /** Settings of the fault. */
  readonly faultSettings: { readonly [key: string]: Json };
  /** Cause a night report should name. */
  readonly cause: string;
  /** Whether the frame is worth keeping. */
  readonly keep: boolean;
}
