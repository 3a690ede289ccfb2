/**
 * Faintlight: from a night of raw FITS frames to a finished picture, with the evidence of every step.
 *
 * This is the only public door; nothing is defined here.
 * @module
 */

// core
export * from "./core/errors.ts";
export * from "./core/options.ts";
export * from "./core/header.ts";
export * from "./core/mask.ts";
export * from "./core/history.ts";
export * from "./core/geometry.ts";
export * from "./core/image.ts";
export * from "./core/ndarray.ts";
export * from "./core/random.ts";
export * from "./core/progress.ts";
export * from "./core/frame_record.ts";
export * from "./core/transform.ts";
export * from "./core/star.ts";
export * from "./core/canvas.ts";
export * from "./core/normalisation.ts";
export * from "./core/colour_space.ts";

// stats
export { median, quantile, weightedMedian } from "./stats/median.ts";
export { mad, madSigma, madSigmaFactor } from "./stats/mad_sigma.ts";
export {
  clippedSdFactor,
  type ClippedStatistics,
  sigmaClip,
  sigmaClipDefaults,
  type SigmaClipOptions,
  skewedMode,
} from "./stats/sigma_clip.ts";
export { biweightLocation, biweightScale } from "./stats/biweight.ts";
export { qnScale, robustScale, snScale } from "./stats/pairwise_scale.ts";
export { type Histogram, histogram } from "./stats/histogram.ts";
export {
  type RobustFit,
  robustFit,
  robustFitDefaults,
  type RobustFitOptions,
  type RobustLine,
  robustLine,
} from "./stats/robust_fit.ts";
export { type AxialMean, axialMean } from "./stats/axial.ts";
export type { Samples } from "./stats/samples.ts";

// kernels
export * from "./kernels/pool.ts";

// io
export {
  type DecodedPng,
  decodePng,
  encodePng16,
  encodePng16Defaults,
  type EncodePng16Options,
  imageFromPng,
  type PngPlanes,
  pngRecordKeyword,
  type PngSamples,
  readPngRecord,
} from "./io/png.ts";
export { encodeJpeg, encodeJpegDefaults, type EncodeJpegOptions, type JpegSamples } from "./io/jpeg.ts";

// simulate

// calibrate

// measure
export { measureSky, type SkyLevel } from "./measure/sky_level.ts";

// night

// register

// combine

// background

// detail

// tone
export { type Curve, curveThrough, prepareCurve, type PreparedCurve } from "./tone/curve.ts";
export type { DrawSettings } from "./tone/draw.ts";
export { stretchAsinh, stretchAsinhDefaults, type StretchAsinhOptions } from "./tone/stretch_asinh.ts";
export { stretchLog, stretchLogDefaults, type StretchLogOptions } from "./tone/stretch_log.ts";
export { stretchPower, stretchPowerDefaults, type StretchPowerOptions } from "./tone/stretch_power.ts";
export { stretchRational, stretchRationalDefaults, type StretchRationalOptions } from "./tone/stretch_rational.ts";
export { stretchSigmoid, stretchSigmoidDefaults, type StretchSigmoidOptions } from "./tone/stretch_sigmoid.ts";
export {
  type AutomaticStretch,
  automaticStretch,
  automaticStretchDefaults,
  type AutomaticStretchOptions,
} from "./tone/automatic_stretch.ts";
export { undoStretch, undoStretchDefaults, type UndoStretchOptions } from "./tone/undo_stretch.ts";
export { applyCurve, applyCurveDefaults, type ApplyCurveOptions } from "./tone/apply_curve.ts";
export { type ClippedShare, clippedShares } from "./tone/clipped_shares.ts";

// colour

// effect

// view

// pipeline
