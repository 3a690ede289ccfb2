/**
 * Transforms, canvases, star matching and phase correlation. Nothing is defined here.
 * @module
 */

// core
import "../host/deno.ts";

export {
  type Canvas,
  cropCanvas,
  type FrameOutline,
  intersectionCanvas,
  referenceCanvas,
  rescaleCanvas,
  unionCanvas,
} from "../core/canvas.ts";
export {
  type BayerPattern,
  cropGeometry,
  type Geometry,
  plainGeometry,
  type Point,
  type Region,
  rescaleGeometry,
  shiftBayer,
  type Wcs,
} from "../core/geometry.ts";
export {
  type AffineTransform,
  applyTransform,
  chainTransforms,
  type HomographyTransform,
  identityTransform,
  invertMatrix,
  invertTransform,
  linearPart,
  type Matrix3,
  multiplyMatrix,
  type PolynomialTransform,
  type SimilarityTransform,
  type Transform,
} from "../core/transform.ts";

// register
export {
  fitTransform,
  type FitTransformOptions,
  type PointPair,
  type TransformFit,
  type TransformModel,
} from "../register/fit_transform.ts";
export { matchStars, type MatchStarsOptions, type StarMatch } from "../register/match_stars.ts";
export type { StarPair } from "../register/refine_match.ts";
export type { RegistrationFailure } from "../register/registration_error.ts";
export type { FrameSize, MatchableStar, StarsOfFrame, StarSource } from "../register/star_list.ts";
export { phaseCorrelate, type PhaseCorrelateOptions, type PhaseCorrelation } from "../register/phase_correlation.ts";
