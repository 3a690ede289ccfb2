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

/** No sensor counts so far: twice the full scale of 32 bits and more; such samples are infinite or damaged. */
const maximumSample = 1e10;

/** Whether a sample is infinite or beyond what a sensor counts. */
export const isImpossible = (sample: number): boolean => sample > maximumSample || sample < -maximumSample;

/** Samples of a plane that are infinite or beyond what a sensor counts. */
function countImpossible(data: Float32Array): number {
  let count = 0;
  for (let i = 0; i < data.length; i++) if (isImpossible(data[i])) count++;
  return count;
}

/** A frame whose impossible samples are missing data, which its history says; the frame itself when it has none. */
export function withoutImpossible(image: Image): Image {
  const { width, height } = image;
  const counts = image.planes.map(({ data }) => countImpossible(data));
  const count = counts.reduce((sum, each) => sum + each, 0);
  if (count === 0) return image;
  const planes = image.planes.map(({ channel, data }) => {
    const kept = allocatePlane(width, height);
    for (let i = 0; i < data.length; i++) {
      kept[i] = isImpossible(data[i]) ? NaN : data[i];
    }
    return { channel, data: kept };
  });
  const fact = `${count} samples are infinite or larger than any sensor counts and were taken for missing data`;
  const notes = [`${fact}; check the program that wrote the file`];
  return derive(image, { planes }, { step: "markMissing", options: { maximumSample }, notes });
}

/**
 * Read a light as it is; infinite samples, and those no sensor can count, are missing data.
 *
 * @throws {FrameError} if the file cannot be used
 */
export const readRawLight = ({ path, bayer }: LightSource): Image =>
  // a sum that a capture program left stale costs a remark, not the frame
  withoutImpossible(readFits(path, { bayer, checksum: "accept" }));

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
