/** The tolerances by which calibration frames are chosen. */

/** Options of `matchCalibration`. */
export interface MatchCalibrationOptions {
  /** Largest difference of sensor temperature between a light and its dark, kelvin, with a cooler. */
  readonly temperatureToleranceC: number;
  /** The same without a cooler, where the temperature wanders by itself. */
  readonly temperatureToleranceUncooledC: number;
  /** Largest relative difference of exposure that still counts as equal. */
  readonly exposureToleranceShare: number;
  /** Whether a dark of another exposure may be scaled when there is bias to take off first. */
  readonly scaleDarks: boolean;
  /** Rigs whose darks are not scaled whatever `scaleDarks` says: those with amplifier glow. */
  readonly glowingRigs: readonly string[];
  /** Frames of a set from which on loose frames are preferred to a ready-made master. */
  readonly minimumFrames: number;
  /** Files that are not to be used, each with the reason: what `auditCalibration` refused. */
  readonly refused: Readonly<Record<string, string>>;
}

/**
 * What `matchCalibration` uses for an option left out. Dark current doubles about every 6.5 K below freezing
 * and every 8 K at room temperature (Janesick 2001): 2 K is 24 % more of it, 5 K without a cooler 54 %, where hot
 * pixels still match. Exposures within 2 % leave 2 % of the dark current. Scaling is on only where bias exists; glow
 * of an amplifier, which does not scale, shows in the pixels: `auditCalibration` withdraws it then.
 */
export const matchCalibrationDefaults: MatchCalibrationOptions = Object.freeze({
  temperatureToleranceC: 2,
  temperatureToleranceUncooledC: 5,
  exposureToleranceShare: 0.02,
  scaleDarks: true,
  glowingRigs: Object.freeze([]),
  minimumFrames: 5,
  refused: Object.freeze({}),
});
