/** Masters made ready: one array to subtract, one to multiply by, one of defects. */
import { allocatePlane, type Image, requireLinear, requireSameSize } from "../core/image.ts";
import type { Mask } from "../core/mask.ts";
import { settle } from "../core/options.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import { phaseAt, phaseMeans, phasesOf } from "./phase_levels.ts";

/** Masters of one rig and setting; what is lacking is null or left out. */
export interface Masters {
  /** Master bias, ADU. */
  readonly bias?: Image | null;
  /** Master dark with the bias in it, ADU, of the lights' exposure and temperature. */
  readonly dark?: Image | null;
  /** Master flat with its own dark level taken off, any scale. */
  readonly flat?: Image | null;
  /** Defective pixels: a mask of the sensor in which any bit counts. */
  readonly defects?: Mask | null;
}

/** Options of {@linkcode prepareCorrection}. */
export interface PrepareCorrectionOptions {
  /** Factor of the dark current, 1 for a dark of the lights' own exposure; another value needs a bias. */
  readonly darkScale: number;
  /** Raw level from which a sample counts as saturated, ADU; null when unknown. */
  readonly saturationLevel: number | null;
  /** Flat value, in units of its level, at or below which a pixel gives no data; 0 … 1. */
  readonly minimumFlat: number;
}

/**
 * What {@linkcode prepareCorrection} uses for an option left out. `minimumFlat` 0.05: twenty times the noise of the
 * centre is no longer data, own choice.
 */
export const prepareCorrectionDefaults: PrepareCorrectionOptions = Object.freeze({
  darkScale: 1,
  saturationLevel: null,
  minimumFlat: 0.05,
});

/**
 * Make masters ready for use on many frames: calibrated = (raw − subtract) × multiply, with subtract = dark, or bias +
 * darkScale · (dark − bias), or the bias alone; multiply = 1 / flat with the flat divided by the mean of each of its
 * phases when it belongs to a colour mosaic, so that the flat does not change colours.
 *
 * @param size size and Bayer pattern of the frames; an image will do
 * @param masters what there is; with nothing the frames pass unchanged, and a note says so
 * @throws {RangeError} if a master has another size than the frames, or an option is out of range
 * @throws {TypeError} if darkScale is not 1 and there is no bias or no dark
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { prepareCorrection } from "faintlight/parts";
 *
 * const light = constantImage(4, 4, 600);
 * const correction = prepareCorrection(light, { dark: constantImage(4, 4, 100), flat: constantImage(4, 4, 30000) });
 * assert.equal(correction.multiply?.[0], 1);
 * ```
 */
export function prepareCorrection(
  size: Pick<Image, "width" | "height" | "geometry">,
  masters: Masters,
  options: Partial<PrepareCorrectionOptions> = {},
): SensorCorrection {
  const used = settle("prepareCorrection", prepareCorrectionDefaults, options);
  const { darkScale, saturationLevel, minimumFlat } = used;
  const { width, height, geometry } = size;
  const bias = masters.bias ?? null;
  const dark = masters.dark ?? null;
  const flat = masters.flat ?? null;
  const defects = masters.defects ?? null;
  for (const [name, master] of Object.entries({ bias, dark, flat })) {
    if (master === null) continue;
    requireLinear("prepareCorrection", master, name);
    requireSameSize("prepareCorrection", size, master);
  }
  if (defects !== null && defects.length !== width * height) {
    throw new RangeError(
      `prepareCorrection: defects must hold ${width} × ${height} bytes, but got ${defects.length}; ` +
        "find them on this sensor",
    );
  }
  if (!(darkScale >= 0)) throw new RangeError(`prepareCorrection: darkScale must be ≥ 0, but got ${darkScale}`);
  if (darkScale !== 1 && (bias === null || dark === null)) {
    throw new TypeError(
      `prepareCorrection: darkScale ${darkScale} must have both a bias and a dark, but ${
        bias === null ? "bias" : "dark"
      } is missing; use a dark of the lights' exposure or add bias frames`,
    );
  }
  if (!(minimumFlat >= 0 && minimumFlat < 1)) {
    throw new RangeError(`prepareCorrection: minimumFlat must lie between 0 and 1, but got ${minimumFlat}`);
  }
  if (saturationLevel !== null && !(saturationLevel > 0)) {
    throw new RangeError(`prepareCorrection: saturationLevel must be > 0, but got ${saturationLevel}`);
  }
  const notes: string[] = [];
  let subtract: Float32Array | null = null;
  if (dark !== null && (darkScale === 1 || bias === null)) subtract = dark.planes[0].data;
  else if (dark !== null && bias !== null) {
    const d = dark.planes[0].data;
    const b = bias.planes[0].data;
    subtract = allocatePlane(width, height);
    for (let p = 0; p < subtract.length; p++) subtract[p] = b[p] + darkScale * (d[p] - b[p]);
    notes.push(`dark current scaled by ${darkScale}`);
  } else if (bias !== null) {
    subtract = bias.planes[0].data;
    notes.push("no dark: the bias alone was taken off, warm pixels and amplifier glow stay");
  } else notes.push("no dark and no bias: the electronic level and the dark current stay in the frames");
  let multiply: Float32Array | null = null;
  if (flat !== null) {
    const phases = phasesOf(geometry.bayer !== null);
    const { data } = flat.planes[0];
    const levels = phaseMeans(data, width, height, phases.count === 4);
    multiply = allocatePlane(width, height);
    let dead = 0;
    for (let y = 0, p = 0; y < height; y++) {
      for (let x = 0; x < width; x++, p++) {
        const value = data[p] / levels[phaseAt(x, y, phases)];
        const lit = value > minimumFlat;
        multiply[p] = lit ? 1 / value : NaN;
        if (!lit) dead++;
      }
    }
    if (dead > 0) notes.push(`${dead} pixels without light in the flat give no data`);
  } else notes.push("no flat: vignetting and dust shadows stay in the frames");
  return { width, height, subtract, multiply, defects, saturationLevel: saturationLevel, bayer: geometry.bayer, notes };
}
