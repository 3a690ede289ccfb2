/**
 * For who writes a step of their own: parts of an image, history, options. Nothing is defined here.
 * @module
 */

// core
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
