/** One light as a stack sees it: read, calibrated with masters made ready beforehand, defects repaired. */
import { correctFrame, saturatedMask } from "../kernels/correct.ts";
import { repairTile } from "../kernels/mosaic.ts";
import type { BayerPattern } from "../core/geometry.ts";
import { allocatePlane, derive, type Image } from "../core/image.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import { readFits } from "../io/read_fits.ts";

/** A light and what belongs to it. */
export interface LightSource {
  /** Path of the file. */
  readonly path: string;
  /** Mosaic seen from the first stored pixel; null for mono. */
  readonly bayer: BayerPattern | null;
  /** Calibration of its rig and setting; null for none. */
  readonly correction: SensorCorrection | null;
}

/**
 * Read and calibrate a light.
 *
 * @throws {FrameError} if the file cannot be used
 */
export const readCalibratedLight = (source: LightSource): Image => calibrateLight(readRawLight(source), source);

/**
 * Read a light as it is.
 *
 * @throws {FrameError} if the file cannot be used
 */
export const readRawLight = ({ path, bayer }: LightSource): Image =>
  // a sum that a capture program left stale costs a remark, not the frame
  readFits(path, { bayer, checksum: "accept" });

/** Calibrate a light and repair its defects. */
export function calibrateLight(raw: Image, { bayer, correction }: LightSource): Image {
  if (correction === null || raw.planes.length !== 1) return raw;
  const { width, height } = raw;
  const data = allocatePlane(width, height);
  const [{ channel, data: samples }] = raw.planes;
  const mask = saturatedMask(samples, correction.saturationLevel, width, height);
  correctFrame(samples, correction, height, data);
  repairTile(data, width, height, correction.defects, 255, bayer === null ? 1 : 2);
  return derive(raw, { planes: [{ channel, data }], mask }, { step: "calibrateFrame", options: { repair: true } });
}
