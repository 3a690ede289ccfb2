/** The limits by which calibration frames are judged. */

/** Options of `auditCalibration`. */
export interface AuditCalibrationOptions {
  /** Lowest level of a flat, share of full scale. */
  readonly minimumFlatLevel: number;
  /**
   * Noise of a flat over its level from which a faint one counts as under-exposed where the sensor's full scale is not
   * known.
   */
  readonly maximumGrain: number;
  /** Highest level of a flat, share of full scale. */
  readonly maximumFlatLevel: number;
  /** Deviation of a flat's map from that of its set that counts, share of the level; noise is considered besides. */
  readonly flatDeviation: number;
  /** Frames of a set from which on its own noise no longer matters. */
  readonly minimumFrames: number;
}

/**
 * What `auditCalibration` uses for an option left out. Flats between 5 % and 80 % of full scale stay clear
 * of read noise and of the bend near saturation (common practice, no source). A grain of 4 % is 600 electrons: ten
 * such flats add as much to a light as a sky of 6000 electrons has by itself. Dust of 0.8 % shows in a stretched sky.
 * Ten frames add a tenth of one frame's variance.
 */
export const auditCalibrationDefaults: AuditCalibrationOptions = Object.freeze({
  minimumFlatLevel: 0.05,
  maximumGrain: 0.04,
  maximumFlatLevel: 0.8,
  flatDeviation: 0.008,
  minimumFrames: 10,
});
