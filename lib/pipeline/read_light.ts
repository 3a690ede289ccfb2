/** The pixels of one light of a night, as far along as the person wants to see them. */
import { demosaic } from "../calibrate/demosaic.ts";
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { applyNormalisation } from "../normalise/apply_normalisation.ts";
import { resample } from "../register/resample.ts";
import { calibrateLight, readRawLight } from "./calibrate_light.ts";
import type { CheckedLight } from "./check_lights.ts";
import { type Light, type Night, type NightState, stateOf } from "./night.ts";
import { canvasOf, keptLights, normalisationOf, referenceOf } from "./stack_lights.ts";

/** How far a light is taken. */
export type LightStage = "raw" | "calibrated" | "registered" | "normalised";

/** Options of {@linkcode readLight}. */
export interface ReadLightOptions {
  /**
   * `raw`: as the file holds it; `calibrated`: masters applied, defects repaired, interpolated to colour when it has a
   * mosaic; `registered`: on the grid of the reference; `normalised`: there, at the level and contrast of its stack.
   */
  readonly stage: LightStage;
}

/** What {@linkcode readLight} uses for an option left out. */
export const readLightDefaults: ReadLightOptions = Object.freeze({ stage: "calibrated" });

const stages: readonly string[] = ["raw", "calibrated", "registered", "normalised"];

/**
 * Read the pixels of one light from disk, calibrated, registered and normalised as the stack takes them.
 *
 * Cost: one reading of the file and what calibrates it; `normalised` makes a small stack of the darkest frames first,
 * unless its answer is kept.
 *
 * @param night from `openNight`
 * @param light one of its lights
 * @throws {FrameError} if the file cannot be used
 * @throws {RangeError} if the light has no place on the grid, or its stack has no lights
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { type Night, readLight } from "faintlight";
 *
 * const first = (night: Night) => readLight(night, night.usable[0], { stage: "registered" });
 * assert.equal(first.length, 1);
 * ```
 */
export function readLight(night: Night, light: Light, options: Partial<ReadLightOptions> = {}): Image {
  const { stage } = settle("readLight", readLightDefaults, options);
  if (!stages.includes(stage)) {
    throw new RangeError(`readLight: stage must be one of ${stages.join(", ")}, but got ${JSON.stringify(stage)}`);
  }
  const state = stateOf("readLight", night);
  const known = state.checked.lights.find(({ record }) => record.file === light.file);
  if (known === undefined) throw new RangeError(`readLight: light must be one of the night, but got "${light.file}"`);
  const { record, calibrator } = known;
  const source = { path: record.path, bayer: record.bayer, correction: null };
  const raw = readRawLight(source);
  if (stage === "raw") return raw;
  const calibrated = calibrateLight(raw, { ...source, correction: calibrator.correction() });
  const colour = record.bayer === null ? calibrated : demosaic(calibrated);
  return stage === "calibrated" ? colour : onGrid(state, known, colour, stage === "normalised");
}

/** A calibrated light on the grid of its stack, and at its level when wanted. */
function onGrid(state: NightState, light: CheckedLight, image: Image, normalised: boolean): Image {
  const { context, checked } = state;
  const transform = light.registration?.transform ?? null;
  if (transform === null) {
    throw new RangeError(
      `readLight: light must be registered for this stage, but ${light.record.file} is not: ` +
        `${light.diagnosis.evidence}`,
    );
  }
  const members = keptLights(checked.lights).filter(({ stack }) => stack === light.stack);
  const canvas = canvasOf(referenceOf([light], checked.lights));
  const registered = resample(image, transform, canvas);
  if (!normalised) return registered;
  if (members.length === 0) {
    throw new RangeError(`readLight: stack ${light.stack} must have lights for this stage, but none was kept`);
  }
  const at = members.indexOf(light);
  const surface = at >= 0
    ? normalisationOf(context, members, members, canvas)[at]
    : normalisationOf(context, [light], members, canvas)[0];
  return applyNormalisation(registered, surface);
}
