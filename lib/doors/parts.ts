/**
 * The parts of the steps: models, fits and pieces of the judge, for who takes a step apart. Nothing is defined here.
 * @module
 */

// io
import "../host/deno.ts";

export type { DescribeFrameOptions } from "../io/describe_frame.ts";
export { sessionOf } from "../io/exposure_date.ts";

// calibrate
export { type Masters, prepareCorrection, type PrepareCorrectionOptions } from "../calibrate/prepare_correction.ts";
export { type MosaicParts, splitMosaic } from "../calibrate/split_mosaic.ts";

// surfaces
export {
  fitPolynomialSurface,
  type FitPolynomialSurfaceOptions,
  type PolynomialSurface,
  polynomialSurfaceAt,
  renderPolynomialSurface,
  type SurfacePoint,
} from "../surfaces/polynomial_surface.ts";
export { fitThinPlate, type ThinPlateOptions } from "../surfaces/fit_thin_plate.ts";
export { type RenderedSurface, renderThinPlate, type RenderThinPlateOptions } from "../surfaces/render_thin_plate.ts";
export { type ThinPlate, thinPlateAt } from "../surfaces/thin_plate.ts";

// measure
export { fitFocusRun, type FocusRunFit } from "../measure/fit_focus_run.ts";
export {
  type BackgroundMap,
  type MeasureBackgroundOptions,
  renderBackground,
  renderBackgroundNoise,
} from "../measure/measure_background.ts";

// night
export type { Cause } from "../night/causes/cause.ts";
export { remedies } from "../night/causes/cause_rules.ts";
export {
  type CalibrationMatch,
  type CalibrationPlan,
  type CalibrationRow,
  type CalibrationSet,
} from "../night/calibration_plan.ts";
export { groupLights, type LightGroup } from "../night/group_lights.ts";
export type { MatchCalibrationOptions } from "../night/match_calibration_options.ts";
export {
  type Decision,
  type SelectedFrame,
  selectFrames,
  type Selection,
  type SelectionInput,
} from "../night/select_frames.ts";
export {
  measureTransparency,
  type StarFlux,
  type Transparency,
  type TransparencyInput,
} from "../night/transparency.ts";

// register
export { interpolationWeights } from "../register/interpolation_weights.ts";
export type { ResampleOptions } from "../register/resample.ts";

// normalise
export { measureStarFluxRatios, type MeasureStarFluxRatiosOptions } from "../normalise/measure_star_flux_ratios.ts";
export { type ApplyNormalisationOptions, normalisationImage } from "../normalise/apply_normalisation.ts";
export type { StarFluxRatio } from "../normalise/find_cloud.ts";
export type {
  FitNormalisationOptions,
  FittedNormalisation,
  NormalisationPlaneFit,
} from "../normalise/fit_normalisation.ts";
export {
  type NormalisationReference,
  prepareNormalisation,
  type PrepareNormalisationOptions,
  type ReferencePlane,
} from "../normalise/prepare_normalisation.ts";
export type { OffsetShape } from "../normalise/smooth_offsets.ts";

// tone
export {
  applyHistogram,
  type ApplyHistogramOptions,
  fitHistogram,
  type HistogramMatch,
  type MatchHistogramOptions,
  type ToneTable,
} from "../tone/match_histogram.ts";
export { curveOf } from "../tone/curve.ts";
export { equaliseAdaptiveHistogramMargin } from "../tone/equalise_adaptive_histogram.ts";
export { measureForStretch, type StretchMeasureOptions } from "../tone/stretch_measures.ts";

// colour
export { measureStarBalance, type StarBalance, type StarBalanceOptions } from "../colour/balance_stars.ts";
export { type ChannelRule, channelRules, type MapChannelsOptions } from "../colour/map_channels.ts";
