/**
 * For who writes a step of their own: parts of an image, history, options. Nothing is defined here.
 * @module
 */

// core
export { type Displayed, displaySymbol, type MediaBundle } from "../core/display.ts";
import "../host/deno.ts";

export { extendHistory, type History, type HistoryNode, type Recorded, type StepEntry } from "../core/history.ts";
export {
  allocatePlane,
  createImage,
  derive,
  type Image,
  type ImageParts,
  isLinear,
  type Plane,
  requireDisplay,
  requireImage,
  requireLinear,
  requireSameSize,
  type Unit,
} from "../core/image.ts";
export { createMask, type Mask, maskBit } from "../core/mask.ts";
export { canonicalJson, type Json, settle } from "../core/options.ts";

// detail: what steps with a reach measure on a whole image, and the margin that a patch of it needs
export { deconvolveMargin, deconvolveMeasures } from "../detail/deconvolve.ts";
export { enhanceDetailMargin, type EnhanceDetailMeasures, enhanceDetailMeasures } from "../detail/enhance_detail.ts";
export type { DetailNoise, NoiseMap } from "../detail/detail_noise.ts";
export type { DeconvolveMeasures, PlaneBlur, PsfWeights, SaturatedStar } from "../detail/measure_blur.ts";
export type { MeasuredOn } from "../detail/measured.ts";
export { reduceNoiseMargin, type ReduceNoiseMeasures, reduceNoiseMeasures } from "../detail/reduce_noise.ts";

// kernels
export {
  asinhPortable,
  atan2Portable,
  cosPortable,
  expPortable,
  logPortable,
  powPortable,
  sinhPortable,
  sinPortable,
} from "../kernels/elementary.ts";

// pipeline
export { type Recipe, type RecipeStep, type RecipeStepDone, replayHistory } from "../pipeline/recipe.ts";
export { findStep, type StepDefinition, stepNames, type StepOptions, type StepResult } from "../pipeline/step.ts";
export { libraryVersion } from "../pipeline/version.ts";
