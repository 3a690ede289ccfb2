/** What turns a raw frame of one sensor into a calibrated one, ready to be applied to any part of a frame. */
import type { BayerPattern } from "./geometry.ts";
import type { Mask } from "./mask.ts";

/**
 * Arrays that calibrate a frame sample by sample: calibrated = (raw − subtract) × multiply. All are width × height and
 * usually lie on shared memory, so that workers read them without a copy.
 */
export interface SensorCorrection {
  /** Columns of the frames it belongs to. */
  readonly width: number;
  /** Rows of the frames it belongs to. */
  readonly height: number;
  /** Level to take off, ADU; null for none. */
  readonly subtract: Float32Array | null;
  /** Factor that undoes vignetting and dust, about 1, NaN where the flat has no signal; null for none. */
  readonly multiply: Float32Array | null;
  /** Pixels to repair from neighbours of the same colour (any bit set); null for none. */
  readonly defects: Mask | null;
  /** Raw level from which a sample counts as saturated, ADU; null when unknown. */
  readonly saturationLevel: number | null;
  /** Colour mosaic of the sensor, seen from the first pixel; null for mono. */
  readonly bayer: BayerPattern | null;
  /** What was done and what could not be done, for the record. */
  readonly notes: readonly string[];
}
