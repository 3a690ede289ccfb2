/** Calibration of one frame. */
import { allocatePlane, derive, type Image, requireLinear } from "../core/image.ts";
import { createMask, type Mask, maskBit } from "../core/mask.ts";
import { allocateShared } from "../core/memory.ts";
import { settle } from "../core/options.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import { correctFrame, saturatedMask } from "../kernels/correct.ts";
import { repairTile } from "../kernels/mosaic.ts";
import { phaseAt, phaseMeans, phasesOf } from "./phase_levels.ts";
import {
  type Masters,
  prepareCorrection,
  prepareCorrectionDefaults,
  type PrepareCorrectionOptions,
} from "./prepare_correction.ts";

/** Options of {@linkcode calibrateFrame}. */
export interface CalibrateFrameOptions extends PrepareCorrectionOptions {
  /** Whether to repair the pixels of `masters.defects` and those without data. */
  readonly repair: boolean;
  /** Gain in electrons per ADU; with it the result carries a variance. null: no variance. */
  readonly electronsPerAdu: number | null;
  /** Read noise in electrons, part of the variance. */
  readonly readNoiseElectrons: number;
}

/** What {@linkcode calibrateFrame} uses for an option left out: repair, carry no variance. */
export const calibrateFrameDefaults: CalibrateFrameOptions = Object.freeze({
  ...prepareCorrectionDefaults,
  repair: true,
  electronsPerAdu: null,
  readNoiseElectrons: 0,
});

/** Corrections already made from masters: many frames of a night share them. */
const prepared = new WeakMap<Masters, Map<string, SensorCorrection>>();

function correctionFor(image: Image, masters: Masters, options: PrepareCorrectionOptions): SensorCorrection {
  const { darkScale, saturationLevel, minimumFlat } = options;
  const key = `${image.width}/${image.height}/${image.geometry.bayer}/${darkScale}/${saturationLevel}/${minimumFlat}`;
  const known = prepared.get(masters) ?? new Map<string, SensorCorrection>();
  prepared.set(masters, known);
  const found = known.get(key) ?? prepareCorrection(image, masters, { darkScale, saturationLevel, minimumFlat });
  known.set(key, found);
  return found;
}

/**
 * Calibrate one frame: C = (L − D) / F, with D the master dark (or bias + darkScale · (dark − bias), or the bias) and
 * F the master flat divided by the mean of each of its phases. Values below 0 stay. Defects are repaired from
 * neighbours of the same colour when their mask is given.
 *
 * In: one plane, linear ADU, mono or mosaic. Out: same size and unit; the mask tells saturated, defect and repaired
 * pixels. With `electronsPerAdu` g the variance is carried, ADU²:
 *
 *     var C = (max(L − bias, 0) / g + (readNoise / g)² + var D) / F² + C² var F / F²
 *
 * (Howell 2006, chapter 4; Massey 1997), where L − D stands in for L − bias without a bias. NaN stays NaN unless
 * repaired. Cost: about three passes; masters are made ready once and kept while the same `masters` object is passed.
 *
 * @param image the raw frame
 * @param masters what there is; what lacks is skipped and noted
 * @param options see {@linkcode CalibrateFrameOptions}
 * @throws {TypeError} if the image has several planes or is a finished picture, or darkScale lacks its bias or dark
 * @throws {RangeError} if sizes differ or an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { calibrateFrame, constantImage } from "faintlight";
 *
 * const masters = { dark: constantImage(4, 4, 100), flat: constantImage(4, 4, 1) };
 * assert.equal(calibrateFrame(constantImage(4, 4, 90), masters).planes[0].data[0], -10);
 * ```
 */
export function calibrateFrame(image: Image, masters: Masters, options: Partial<CalibrateFrameOptions> = {}): Image {
  const used = settle("calibrateFrame", calibrateFrameDefaults, options);
  requireLinear("calibrateFrame", image);
  if (image.planes.length !== 1) {
    throw new TypeError(
      `calibrateFrame: image must have one plane, but has ${image.planes.length}; calibrate before the demosaic`,
    );
  }
  const { electronsPerAdu, readNoiseElectrons } = used;
  if (electronsPerAdu !== null && !(electronsPerAdu > 0)) {
    throw new RangeError(`calibrateFrame: electronsPerAdu must be > 0, but got ${electronsPerAdu}`);
  }
  if (!(readNoiseElectrons >= 0)) {
    throw new RangeError(`calibrateFrame: readNoiseElectrons must be ≥ 0, but got ${readNoiseElectrons}`);
  }
  const { width, height } = image;
  const raw = image.planes[0].data;
  const correction = correctionFor(image, masters, used);
  const data = allocatePlane(width, height);
  correctFrame(raw, correction, height, data);
  const variance = electronsPerAdu === null ? null : [frameVariance(image, masters, correction, data, {
    gain: electronsPerAdu,
    readNoiseAdu: readNoiseElectrons / electronsPerAdu,
  })];
  let mask = saturatedMask(raw, correction.saturationLevel, width, height);
  if (image.mask !== null) mask = united(mask, image.mask);
  const notes = [...correction.notes];
  if (used.repair) {
    const step = image.geometry.bayer === null ? 1 : 2;
    const { defects } = correction;
    const repaired = repairTile(data, width, height, defects, 255, step);
    if (repaired.length > 0) {
      const bits = united(mask, createMask(width, height));
      let lost = 0;
      for (const p of repaired) {
        if (defects !== null && defects[p] !== 0) bits[p] |= maskBit.defect;
        bits[p] |= data[p] === data[p] ? maskBit.repaired : maskBit.noData;
        if (data[p] !== data[p]) lost++;
      }
      mask = bits;
      notes.push(`${repaired.length - lost} pixels repaired from neighbours of the same colour`);
      if (lost > 0) notes.push(`${lost} pixels have no good neighbour and stay without data`);
    }
  }
  const inputs = [masters.bias, masters.dark, masters.flat].filter((each) => each !== null && each !== undefined);
  return derive(image, { planes: [{ channel: image.planes[0].channel, data }], mask, variance }, {
    step: "calibrateFrame",
    options: used,
    notes,
  }, inputs);
}

/** Bits of both masks in a new one. */
function united(a: Mask | null, b: Mask): Mask {
  const out = new Uint8Array(allocateShared(b.length, true), 0, b.length);
  out.set(b);
  if (a !== null) { for (let p = 0; p < out.length; p++) out[p] |= a[p]; }
  return out;
}

/** Variance of each calibrated sample: photons, read noise and the masters' own. */
function frameVariance(
  image: Image,
  masters: Masters,
  correction: SensorCorrection,
  calibrated: Float32Array,
  { gain, readNoiseAdu }: { readonly gain: number; readonly readNoiseAdu: number },
): Float32Array {
  const { width, height } = image;
  const raw = image.planes[0].data;
  const out = allocatePlane(width, height);
  const base = masters.bias?.planes[0].data ?? correction.subtract;
  const dark = (masters.dark ?? masters.bias)?.variance?.[0] ?? null;
  const flat = masters.flat ?? null;
  const flatVariance = flat?.variance?.[0] ?? null;
  const phases = phasesOf(image.geometry.bayer !== null);
  const levels = flat === null ? [1] : phaseMeans(flat.planes[0].data, width, height, phases.count === 4);
  for (let y = 0, p = 0; y < height; y++) {
    for (let x = 0; x < width; x++, p++) {
      const signal = Math.max(0, raw[p] - (base === null ? 0 : base[p]));
      const factor = correction.multiply === null ? 1 : correction.multiply[p];
      let value = signal / gain + readNoiseAdu * readNoiseAdu + (dark === null ? 0 : dark[p]);
      value *= factor * factor;
      if (flatVariance !== null) {
        const level = levels[flat !== null ? phaseAt(x, y, phases) : 0];
        const relative = calibrated[p] * factor / level;
        value += relative * relative * flatVariance[p];
      }
      out[p] = value;
    }
  }
  return out;
}
