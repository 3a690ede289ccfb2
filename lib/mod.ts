/**
 * Faintlight: from a night of raw FITS frames to a finished picture, with the evidence of every step.
 *
 * This is the main door: what a person with a night, a stack or a picture calls. Nothing is defined here. Further
 * doors: `faintlight/parts`, `/geometry`, `/sky`, `/stats`, `/simulate`, `/io`, `/view`, `/colour`, `/extend`,
 * `/parallel`.
 * @module
 */

// where the library runs, and how its values show themselves
import "./host/deno.ts";
import "./view/displayed_values.ts";
import "./pipeline/night_view.ts";

// core
export type { Displayed, MediaBundle } from "./core/display.ts";
export { FrameError, type FrameErrorReason } from "./core/errors.ts";
export type { FrameFacts, FrameKind, FrameRecord, FrameSections } from "./core/frame_record.ts";
export { constantImage, type Image, type ImageParts, type Plane, planeOf, type Unit } from "./core/image.ts";
export { imageFromNdarray, ndarrayOf } from "./core/ndarray.ts";
export type { NormalisationSurface, ReferenceRaster } from "./core/normalisation.ts";
export type { Progress, ProgressEvent } from "./core/progress.ts";
export type { SensorCorrection } from "./core/sensor_correction.ts";
export type { Star } from "./core/star.ts";

// arithmetic
export { addImages } from "./arithmetic/add_images.ts";
export type { Term } from "./arithmetic/combine_samples.ts";
export { divideImages } from "./arithmetic/divide_images.ts";
export { imageFromFunction, type ImageFromFunctionOptions } from "./arithmetic/image_from_function.ts";
export { imageFromRows, type ImageFromRowsOptions } from "./arithmetic/image_from_rows.ts";
export { mixImages, type MixImagesOptions } from "./arithmetic/mix_images.ts";
export { multiplyImages } from "./arithmetic/multiply_images.ts";
export { renameChannels } from "./arithmetic/rename_channels.ts";
export { selectChannels } from "./arithmetic/select_channels.ts";
export { subtractImages } from "./arithmetic/subtract_images.ts";

// stats
export type { Samples } from "./stats/samples.ts";

// kernels
export type { WarpKernel } from "./kernels/warp_tile.ts";

// io
export type { FitsHdu, HduKind, PlacedHdu, SampleLayout } from "./io/fits_layout.ts";
export type { TileColumn, TileLayout } from "./io/tile_layout.ts";
export {
  type FrameList,
  type FrameNote,
  listFrames,
  type ListFramesOptions,
  type UnreadableFrame,
} from "./io/list_frames.ts";
export { readFits, type ReadFitsOptions } from "./io/read_fits.ts";
export type { Bitpix, Scaling } from "./io/samples.ts";
export type { TileCodec } from "./io/tile_table.ts";
export { type FitsPart, writeFits, type WriteFitsOptions } from "./io/write_fits.ts";

// simulate
export type { ExpectedSignal, SimulateFrameOptions } from "./simulate/expected_signal.ts";
export type { FrameTruth } from "./simulate/frame_truth.ts";

// calibrate
export { calibrateFrame, type CalibrateFrameOptions } from "./calibrate/calibrate_frame.ts";
export { combineBias } from "./calibrate/combine_bias.ts";
export { combineDark } from "./calibrate/combine_dark.ts";
export { combineFlat, type CombineFlatOptions } from "./calibrate/combine_flat.ts";
export type { CombineMasterOptions } from "./calibrate/combine_master.ts";
export { demosaic, type DemosaicOptions } from "./calibrate/demosaic.ts";
export {
  type DefectReport,
  type DefectSources,
  findDefects,
  type FindDefectsOptions,
} from "./calibrate/find_defects.ts";
export { removeCosmicRays, type RemoveCosmicRaysOptions } from "./calibrate/remove_cosmic_rays.ts";
export { repairPixels, type RepairPixelsOptions } from "./calibrate/repair_pixels.ts";
export { trimOverscan, type TrimOverscanOptions } from "./calibrate/trim_overscan.ts";

// stars
export { detectStars, type DetectStarsOptions, type StarList } from "./stars/detect_stars.ts";
export { maskStars, type MaskStarsOptions } from "./stars/mask_stars.ts";
export type { Doubling } from "./stars/find_doubling.ts";
export { placeStarColours, type PlaceStarColoursOptions } from "./stars/place_star_colours.ts";
export { recombineStars, type RecombineStarsOptions } from "./stars/recombine_stars.ts";
export { type KnownStars, reduceStars, type ReduceStarsOptions } from "./stars/reduce_stars.ts";
export type { TurnedDown } from "./stars/candidate.ts";
export { type SeparatedStars, separateStars, type SeparateStarsOptions } from "./stars/separate_stars.ts";

// measure
export { type Levels, measureLevels, type MeasureLevelsOptions } from "./measure/measure_levels.ts";
export { type FieldMap, type FieldRotation, mapField } from "./measure/field_map.ts";
export type { Chord, Trail } from "./measure/trail.ts";
export { type BackgroundMap, measureBackground, type MeasureBackgroundOptions } from "./measure/measure_background.ts";
export { type CalibrationQuality, measureCalibration } from "./measure/measure_calibration.ts";
export { type FrameQuality, measureFrame, type MeasureFrameOptions } from "./measure/measure_frame.ts";
export { measureNoise, type MeasureNoiseOptions, measurePairNoise, type NoiseReport } from "./measure/measure_noise.ts";
export { measureSurfaceSnr, type SurfaceSnr, type SurfaceToMeasure } from "./measure/measure_surface_snr.ts";
export { type PhotonTransfer, photonTransfer, type PhotonTransferOptions } from "./measure/photon_transfer.ts";
export { measureSky, type SkyLevel, type SkyPart } from "./measure/sky_level.ts";

// night
export { auditCalibration } from "./night/audit_calibration.ts";
export type { AuditCalibrationOptions } from "./night/audit_calibration_options.ts";
export type { AuditInput, CalibrationFinding, CalibrationProblem } from "./night/calibration_finding.ts";
export type { Verdict } from "./night/causes/cause.ts";
export { diagnoseNight, type FrameDiagnosis, type NightDiagnosis, type NightFinding } from "./night/diagnose_night.ts";
export type { DiagnoseNightOptions } from "./night/diagnose_night_options.ts";
export {
  type CalibrationMatch,
  type CalibrationPlan,
  type CalibrationRow,
  type CalibrationSet,
} from "./night/calibration_plan.ts";
export type { LightGroup } from "./night/group_lights.ts";
export { matchCalibration } from "./night/match_calibration.ts";
export type { MatchCalibrationOptions } from "./night/match_calibration_options.ts";
export type { NightRow } from "./night/night_row.ts";
export {
  type Decision,
  parseDecisions,
  type SelectedFrame,
  type Selection,
  type SelectionInput,
} from "./night/select_frames.ts";
export {
  type SelectionEffect,
  selectionEffect,
  weightFrames,
  type WeightFramesOptions,
  type WeightInput,
} from "./night/weight_frames.ts";

// register
export { alignImage, type AlignImageOptions } from "./register/align_image.ts";
export type { ExpectedMatch } from "./register/expected_match.ts";
export { describeTransform, type DescribeTransformOptions, type Motion } from "./register/describe_transform.ts";
export { type MatchStarsOptions, type StarMatch } from "./register/match_stars.ts";
export type { StarPair } from "./register/refine_match.ts";
export { RegistrationError, type RegistrationFailure } from "./register/registration_error.ts";
export type { FrameSize, MatchableStar, StarsOfFrame, StarSource } from "./register/star_list.ts";
export {
  type FrameRegistration,
  registerFrames,
  type RegisterFramesOptions,
  type Registration,
} from "./register/register_frames.ts";
export type { FrameToRegister, RegistrationSource } from "./register/frame_to_register.ts";
export { resample, type ResampleOptions } from "./register/resample.ts";

// normalise
export { applyNormalisation, type ApplyNormalisationOptions } from "./normalise/apply_normalisation.ts";
export type { StarFluxRatio } from "./normalise/find_cloud.ts";
export {
  fitNormalisation,
  type FitNormalisationOptions,
  type FittedNormalisation,
  type NormalisationPlaneFit,
} from "./normalise/fit_normalisation.ts";
export { normaliseLocal } from "./normalise/normalise_local.ts";
export type {
  NormalisationReference,
  PrepareNormalisationOptions,
  ReferencePlane,
} from "./normalise/prepare_normalisation.ts";
export type { OffsetShape } from "./normalise/smooth_offsets.ts";

// stack
export { commonRegion, cropImage, type CropImageOptions } from "./stack/crop_image.ts";
export type { Stack, StackReport } from "./stack/finish_stack.ts";
export type { FrameToStack } from "./stack/frame_to_stack.ts";
export type { TrailBand } from "./stack/trail_bands.ts";
export { stackFrames } from "./stack/stack_frames.ts";
export { type ImageRegistration, stackImages, type StackImagesOptions } from "./stack/stack_images.ts";
export type { InterpolationOptions, RejectionOptions, StackFramesOptions } from "./stack/stack_options.ts";

// background
export { divideSurface, type DivideSurfaceOptions } from "./background/divide_surface.ts";
export { type ExtractedGradient, extractGradient, type ExtractGradientOptions } from "./background/extract_gradient.ts";
export { type BackgroundSurface, fitSurface, type FitSurfaceOptions } from "./background/fit_surface.ts";
export type { SurfaceCandidate } from "./background/score_surfaces.ts";
export type { SurfaceKind, SurfacePart } from "./background/surface_model.ts";
export {
  type BackgroundSample,
  type BackgroundSamples,
  sampleBackground,
  type SampleBackgroundOptions,
  type SampleDoubt,
} from "./background/sample_background.ts";
export { subtractSurface, type SubtractSurfaceOptions } from "./background/subtract_surface.ts";

// detail
export { deconvolve, type DeconvolveOptions } from "./detail/deconvolve.ts";
export type { WithMeasures } from "./detail/measured.ts";
export { enhanceDetail, type EnhanceDetailOptions } from "./detail/enhance_detail.ts";
export { reduceNoise, type ReduceNoiseOptions } from "./detail/reduce_noise.ts";

// tone
export { applyCurve, type ApplyCurveOptions } from "./tone/apply_curve.ts";
export { automaticStretch, type AutomaticStretchOptions } from "./tone/automatic_stretch.ts";
export {
  asinhCurve,
  type Curve,
  type CurveFamily,
  type CurveFunctions,
  type CurveParameters,
  logCurve,
  powerCurve,
  rationalCurve,
  sigmoidCurve,
  splineCurve,
} from "./tone/curve.ts";
export { curveThrough, type SolvableFamily } from "./tone/curve_through.ts";
export {
  equaliseAdaptiveHistogram,
  type EqualiseAdaptiveHistogramOptions,
} from "./tone/equalise_adaptive_histogram.ts";
export {
  type ApplyHistogramOptions,
  type HistogramMatch,
  matchHistogram,
  type MatchHistogramOptions,
  type ToneTable,
} from "./tone/match_histogram.ts";
export { type ClippedShare, measureClipping } from "./tone/measure_clipping.ts";
export type { SplinePoints } from "./tone/spline_curve.ts";
export type { Stretch, StretchLevels, StretchSettings } from "./tone/stretch.ts";
export { stretchAsinh, type StretchAsinhOptions } from "./tone/stretch_asinh.ts";
export { stretchImage } from "./tone/stretch_image.ts";
export { stretchLog, type StretchLogOptions } from "./tone/stretch_log.ts";
export { stretchPower, type StretchPowerOptions } from "./tone/stretch_power.ts";
export { stretchRational, type StretchRationalOptions } from "./tone/stretch_rational.ts";
export { stretchSigmoid, type StretchSigmoidOptions } from "./tone/stretch_sigmoid.ts";
export type { StretchMeasures } from "./tone/stretch_measures.ts";
export { undoCurve } from "./tone/undo_curve.ts";
export { undoStretch, type UndoStretchOptions } from "./tone/undo_stretch.ts";

// colour
export {
  balanceStars,
  type BalanceStarsOptions,
  type StarBalance,
  type StarBalanceOptions,
} from "./colour/balance_stars.ts";
export { blendLines, type BlendLinesOptions, type LineColour, type LinePalette } from "./colour/blend_lines.ts";
export { type ChannelMeasures, equaliseChannels, type EqualiseChannelsOptions } from "./colour/equalise_channels.ts";
export { joinChannels } from "./colour/join_channels.ts";
export { limitGreen, type LimitGreenOptions } from "./colour/limit_green.ts";
export { type ChannelRule, mapChannels, type MapChannelsOptions } from "./colour/map_channels.ts";
export { mapLineRatio, type MapLineRatioOptions } from "./colour/map_line_ratio.ts";
export { neutraliseSky } from "./colour/neutralise_sky.ts";
export { fromOklab, toOklab } from "./colour/oklab_image.ts";
export { replaceLuminance, type ReplaceLuminanceOptions } from "./colour/replace_luminance.ts";
export { mixLuminance, type MixLuminanceOptions } from "./colour/mix_luminance.ts";
export { addLine, type AddLineOptions } from "./colour/add_line.ts";
export { type LineResponse, unmixLines, type UnmixLinesOptions } from "./colour/unmix_lines.ts";
export { saturate, type SaturateOptions } from "./colour/saturate.ts";
export { subtractContinuum, type SubtractContinuumOptions } from "./colour/subtract_continuum.ts";

// effect
export type { Change } from "./effect/change.ts";
export { type Effect, measureEffect } from "./effect/measure_effect.ts";
export type { Purpose } from "./effect/purpose.ts";
export { type HalvesReport, validateHalves, type ValidateHalvesOptions } from "./effect/validate_halves.ts";

// view
export { compareView, type CompareViewOptions } from "./view/compare_view.ts";
export type { Comparison } from "./view/comparison.ts";
export { contactSheet, type ContactSheetOptions } from "./view/contact_sheet.ts";
export { curvePlot, type CurvePlotOptions, type DrawnCurve } from "./view/curve_plot.ts";
export { type CloseFrame, frameCloseups, type FrameCloseupsOptions } from "./view/frame_closeups.ts";
export type { ToneEnds } from "./view/histogram_drawing.ts";
export { histogramPlot, type HistogramPlotOptions } from "./view/histogram_plot.ts";
export { historyTable, type HistoryTableOptions } from "./view/history_table.ts";
export { imageView, type ImageViewOptions } from "./view/image_view.ts";
export { inspectImage, type InspectImageOptions } from "./view/inspect_image.ts";
export { nightTimeline, type NightTimelineOptions } from "./view/night_timeline.ts";
export { noiseByScale, type NoiseByScaleOptions, type NoiseSeries, type ScaleNoise } from "./view/noise_by_scale.ts";
export { radialProfile, type RadialProfileOptions } from "./view/radial_profile.ts";
export type {
  NightReport,
  ReportCalibration,
  ReportFrame,
  ReportLedgerLine,
  ReportStack,
  ReportStep,
} from "./view/report.ts";
export { shapeMap, type ShapeMapOptions } from "./view/shape_map.ts";
export { type InteractiveView, show, type Showable } from "./view/show.ts";
export { sideBySide, type SideBySideOptions, type SideBySidePanel } from "./view/side_by_side.ts";
export { starOverlay, type StarOverlayOptions } from "./view/star_overlay.ts";
export { type SurfaceSample, surfaceView, type SurfaceViewOptions } from "./view/surface_view.ts";
export { type Cell, type Row, table, type TableOptions } from "./view/table.ts";
export { tuneStretch, type TuneStretchOptions } from "./view/tune_stretch.ts";
export type { SheetOptions, ViewOptions } from "./view/view_options.ts";
export { youShouldSee } from "./view/you_should_see.ts";

// workbench
export { workbench, type WorkbenchOptions } from "./workbench/workbench.ts";

// pipeline
export { compareImages, type CompareImagesOptions } from "./pipeline/compare_images.ts";
export { defaultRecipe, type DefaultRecipeOptions } from "./pipeline/default_recipe.ts";
export { effectSheet } from "./pipeline/effect_sheet.ts";
export { imageDigest } from "./pipeline/image_digest.ts";
export { parseRecipe, type Recipe, type RecipeStep, type RecipeStepDone, runRecipe } from "./pipeline/recipe.ts";
export { changeStep } from "./pipeline/change_step.ts";
export {
  compareRecipes,
  type OptionDifference,
  type RecipeDifference,
  type StepPair,
} from "./pipeline/compare_recipes.ts";
export { decideFrames } from "./pipeline/decide_frames.ts";
export type { RunStep } from "./pipeline/finish_picture.ts";
export type { MasterSource, MastersToUse } from "./pipeline/given_masters.ts";
export { makeMasters, type MakeMastersOptions } from "./pipeline/make_masters.ts";
export type { Light, MatchMasters, Night, NightCalibration, NightMatch, UsableLight } from "./pipeline/night.ts";
export { openNight, type OpenNightOptions } from "./pipeline/open_night.ts";
export { type LightStage, readLight, type ReadLightOptions } from "./pipeline/read_light.ts";
export { type Picture, readPicture } from "./pipeline/read_picture.ts";
export { readRecipe } from "./pipeline/read_recipe.ts";
export { recipeOf, type RecipeOfOptions } from "./pipeline/recipe_of.ts";
export { type MatchWhere, replaceMasters } from "./pipeline/replace_masters.ts";
export { type RerunOptions, type RerunOutcome, rerunPicture } from "./pipeline/rerun_picture.ts";
export { type NightRun, runNight, type RunNightOptions } from "./pipeline/run_night.ts";
export { type LightWhere, selectLights } from "./pipeline/select_lights.ts";
export { type NightStack, stackNight, type StackNightOptions, type Stacks } from "./pipeline/stack_night.ts";
export type { StackNoise } from "./pipeline/stack_noise.ts";
export { writePicture, type WritePictureOptions } from "./pipeline/write_picture.ts";
export { writeRecipe } from "./pipeline/write_recipe.ts";
export type { WatchNews } from "./pipeline/watch_news.ts";
export { type NightWatch, type WatchLook, watchNight, type WatchStanding } from "./pipeline/watch_night.ts";
export type { WatchNightOptions } from "./pipeline/watch_night_options.ts";

// help
export { defaultsOf, type LibraryFunction } from "./help/defaults_of.ts";
