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
export * from "./core/wcs.ts";
export * from "./core/star.ts";
export * from "./core/canvas.ts";
export * from "./core/normalisation.ts";
export * from "./core/sensor_correction.ts";
export * from "./core/colour_space.ts";

// stats
export { type ExtremeDeviates, extremeDeviates, studentQuantile } from "./stats/extreme_deviates.ts";
export { type HuberEstimate, huberEstimate, huberLimit, huberLimits } from "./stats/huber.ts";
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
export {
  closePool,
  parallelMap,
  type ParallelOptions,
  type PoolTask,
  setWorkerCount,
  workerCount,
} from "./parallel/pool.ts";
export {
  asinhPortable,
  atan2Portable,
  cosPortable,
  expPortable,
  logPortable,
  powPortable,
  sinhPortable,
  sinPortable,
} from "./kernels/elementary.ts";
export type { WarpKernel } from "./kernels/warp_tile.ts";

// io
export { type FrameSource, openPixels, type PixelSource } from "./io/pixel_source.ts";
export { setUnpackFolder } from "./io/byte_source.ts";
export { type WholeContent, writeWhole } from "./io/write_whole.ts";
export { readFits, readFitsDefaults, readFitsHeader, type ReadFitsOptions } from "./io/read_fits.ts";
export {
  FitsFile,
  type FitsSums,
  openFits,
  type OpenFitsOptions,
  readRegion,
  type RegionSource,
} from "./io/open_fits.ts";
export type { FitsHdu, HduKind, PlacedHdu, SampleLayout, TileColumn, TileLayout } from "./io/fits_layout.ts";
export type { Bitpix, Scaling } from "./io/samples.ts";
export { type FitsPart, writeFits, writeFitsDefaults, type WriteFitsOptions } from "./io/write_fits.ts";
export type { TileCodec } from "./io/tile_table.ts";
export { describeFrame, type DescribeFrameOptions, sessionOf } from "./io/describe_frame.ts";
export { channelOfFilter, type FilterNames, filterNames, readFilterNames } from "./io/filter_names.ts";
export {
  type FrameList,
  type FrameNote,
  listFrames,
  listFramesDefaults,
  type ListFramesOptions,
  type UnreadableFrame,
} from "./io/list_frames.ts";
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
export {
  arcsecPerPixelOf,
  collectingAreaSquareCm,
  type Detector,
  longRig,
  passbandOf,
  pocketRig,
  resizeRig,
  type Rig,
} from "./simulate/rig.ts";
export {
  blackBodyWidth,
  effectiveWidthAngstrom,
  magnitudeRate,
  type Passband,
  planckPhotons,
  rayleighPhotons,
  shapePassband,
  temperatureOfColour,
  throughputAt,
  zeroMagnitudePhotons,
} from "./simulate/photometry.ts";
export {
  airmass,
  fieldRotationRate,
  horizonPosition,
  parallacticAngle,
  siderealDegreesAnHour,
  siderealTimeDegrees,
} from "./sky/horizon.ts";
export { type SceneStar, starField, starFieldDefaults, type StarFieldOptions } from "./simulate/star_field.ts";
export {
  moffatAlphaPerFwhm,
  type MotionStep,
  type PointSpread,
  pointSpreadDefaults,
  renderStars,
  renderStarsDefaults,
  type RenderStarsOptions,
  type StarCanvas,
  type StarImage,
} from "./simulate/render_stars.ts";
export { type Scene, type SceneGlow, starScene, starSceneDefaults, type StarSceneOptions } from "./simulate/scene.ts";
export { dustOf, type DustShadow, type IlluminationOptions } from "./simulate/illumination.ts";
export { darkCurrentLaw, type Exposure, fullScaleOf, readOut, type SensorMaps, sensorMaps } from "./simulate/sensor.ts";
export {
  type FrameConditions,
  frameConditionsDefaults,
  type Obstacle,
  site,
  type SkyLight,
  type Streak,
} from "./simulate/frame_conditions.ts";
export { type Fault, type FaultName, type FaultSettings, knownFaults } from "./simulate/faults.ts";
export { type ExposureFacts, frameHeader } from "./simulate/frame_header.ts";
export { type ExpectedSignal, type FrameTruth, type SimulateFrameOptions } from "./simulate/expected_signal.ts";
export { type SimulatedFrame, simulateFrame } from "./simulate/simulate_frame.ts";
export {
  type CalibrationTruth,
  simulateCalibration,
  simulateCalibrationDefaults,
  type SimulateCalibrationOptions,
  type SimulatedCalibration,
} from "./simulate/simulate_calibration.ts";
export {
  type CalibrationFault,
  type CalibrationFaultName,
  knownCalibrationFaults,
} from "./simulate/calibration_faults.ts";
export { type Field, gradientNoise } from "./simulate/turbulence.ts";
export {
  type LanternNebula,
  lanternNebula,
  lanternNebulaDefaults,
  type LanternNebulaOptions,
} from "./simulate/lantern_nebula.ts";
export {
  lanternScene,
  lanternSceneDefaults,
  lanternSceneFor,
  type LanternSceneOptions,
} from "./simulate/lantern_scene.ts";
export {
  type FileFault,
  longNight,
  type NightFault,
  type PlannedCalibration,
  type PlannedLight,
  planSimulation,
  type PlanSimulationOptions,
  pocketNight,
  type SimulationPlan,
} from "./simulate/plan_simulation.ts";
export {
  type CalibrationFileTruth,
  type LightTruth,
  type NightTruth,
  simulateNight,
  type SimulateNightOptions,
  type StarTruth,
  truthTransform,
} from "./simulate/simulate_night.ts";

// calibrate
export { combineMasterDefaults, type CombineMasterOptions } from "./calibrate/combine_master.ts";
export { combineBias } from "./calibrate/combine_bias.ts";
export { combineDark } from "./calibrate/combine_dark.ts";
export { combineFlat, combineFlatDefaults, type CombineFlatOptions } from "./calibrate/combine_flat.ts";
export {
  type Masters,
  prepareCorrection,
  prepareCorrectionDefaults,
  type PrepareCorrectionOptions,
} from "./calibrate/prepare_correction.ts";
export { calibrateFrame, calibrateFrameDefaults, type CalibrateFrameOptions } from "./calibrate/calibrate_frame.ts";
export { repairPixels, repairPixelsDefaults, type RepairPixelsOptions } from "./calibrate/repair_pixels.ts";
export { demosaic, demosaicDefaults, type DemosaicOptions } from "./calibrate/demosaic.ts";
export { type MosaicParts, splitMosaic } from "./calibrate/split_mosaic.ts";
export {
  type DefectReport,
  type DefectSources,
  findDefects,
  findDefectsDefaults,
  type FindDefectsOptions,
} from "./calibrate/find_defects.ts";
export { trimOverscan, trimOverscanDefaults, type TrimOverscanOptions } from "./calibrate/trim_overscan.ts";
export {
  removeCosmicRays,
  removeCosmicRaysDefaults,
  type RemoveCosmicRaysOptions,
} from "./calibrate/remove_cosmic_rays.ts";

// measure
export {
  fitThinPlate,
  type RenderedSurface,
  renderThinPlate,
  renderThinPlateDefaults,
  type RenderThinPlateOptions,
  type ThinPlate,
  thinPlateAt,
  thinPlateDefaults,
  type ThinPlateOptions,
} from "./surfaces/thin_plate.ts";
export { detectStars, detectStarsDefaults, type DetectStarsOptions, type StarList } from "./stars/detect_stars.ts";
export {
  type FrameQuality,
  measureFrame,
  measureFrameDefaults,
  type MeasureFrameOptions,
} from "./measure/measure_frame.ts";
export {
  type BackgroundMap,
  measureBackground,
  measureBackgroundDefaults,
  type MeasureBackgroundOptions,
  renderBackground,
  renderBackgroundNoise,
} from "./measure/measure_background.ts";
export {
  measureNoise,
  measureNoiseDefaults,
  type MeasureNoiseOptions,
  measurePairNoise,
  type NoiseReport,
} from "./measure/measure_noise.ts";
export {
  type PhotonTransfer,
  photonTransfer,
  photonTransferDefaults,
  type PhotonTransferOptions,
} from "./measure/photon_transfer.ts";
export { type CalibrationQuality, measureCalibration } from "./measure/measure_calibration.ts";
export { type FieldMap, type FieldRotation, mapField } from "./measure/field_map.ts";
export { fitFocusRun, type FocusRunFit } from "./measure/fit_focus_run.ts";
export type { Trail } from "./measure/find_trails.ts";
export { lostRowShare } from "./measure/lost_rows.ts";
export type { Doubling } from "./stars/mean_star.ts";
export type { TurnedDown } from "./stars/search_stars.ts";
export { measureSky, type SkyLevel, type SkyPart } from "./measure/sky_level.ts";
export {
  fitPolynomialSurface,
  fitPolynomialSurfaceDefaults,
  type FitPolynomialSurfaceOptions,
  type PolynomialSurface,
  polynomialSurfaceAt,
  renderPolynomialSurface,
  type SurfacePoint,
} from "./surfaces/polynomial_surface.ts";

// night
export {
  type CalibrationMatch,
  type CalibrationPlan,
  type CalibrationRow,
  type CalibrationSet,
  groupLights,
  type LightGroup,
  matchCalibration,
  matchCalibrationDefaults,
  type MatchCalibrationOptions,
} from "./night/match_calibration.ts";
export {
  diagnoseNight,
  diagnoseNightDefaults,
  type DiagnoseNightOptions,
  type FrameDiagnosis,
  type NightDiagnosis,
  type NightFinding,
  type NightRow,
  type Verdict,
} from "./night/diagnose_night.ts";
export {
  auditCalibration,
  auditCalibrationDefaults,
  type AuditCalibrationOptions,
  type AuditInput,
  type CalibrationFinding,
  type CalibrationProblem,
} from "./night/audit_calibration.ts";
export { type Cause, remedies } from "./night/causes.ts";
export {
  type Decision,
  parseDecisions,
  type SelectedFrame,
  selectFrames,
  type Selection,
  type SelectionInput,
} from "./night/select_frames.ts";
export { measureTransparency, type StarFlux, type Transparency, type TransparencyInput } from "./night/transparency.ts";
export {
  type SelectionEffect,
  selectionEffect,
  weightFrames,
  weightFramesDefaults,
  type WeightFramesOptions,
  type WeightInput,
} from "./night/weight_frames.ts";

// register
export {
  applyNormalisation,
  applyNormalisationDefaults,
  type ApplyNormalisationOptions,
  fitNormalisation,
  fitNormalisationDefaults,
  type FitNormalisationOptions,
  type FittedNormalisation,
  normalisationImage,
  type NormalisationPlaneFit,
  type NormalisationReference,
  normaliseLocal,
  prepareNormalisation,
  prepareNormalisationDefaults,
  type PrepareNormalisationOptions,
  type ReferencePlane,
  type StarFluxRatio,
} from "./normalise/normalise_local.ts";
export {
  phaseCorrelate,
  phaseCorrelateDefaults,
  type PhaseCorrelateOptions,
  type PhaseCorrelation,
} from "./register/phase_correlation.ts";
export {
  measureStarFluxRatios,
  measureStarFluxRatiosDefaults,
  type MeasureStarFluxRatiosOptions,
} from "./normalise/measure_star_flux_ratios.ts";
export {
  type FrameRegistration,
  type FrameToRegister,
  registerFrames,
  registerFramesDefaults,
  type RegisterFramesOptions,
  type Registration,
} from "./register/register_frames.ts";
export { interpolationWeights, resample, resampleDefaults, type ResampleOptions } from "./register/resample.ts";
export {
  fitTransform,
  fitTransformDefaults,
  type FitTransformOptions,
  type PointPair,
  type TransformFit,
  type TransformModel,
} from "./register/fit_transform.ts";
export {
  type FrameSize,
  type MatchableStar,
  matchStars,
  matchStarsDefaults,
  type MatchStarsOptions,
  RegistrationError,
  type RegistrationFailure,
  type StarMatch,
  type StarPair,
} from "./register/match_stars.ts";

// combine
export {
  type FrameToStack,
  type Stack,
  stackFrames,
  stackFramesDefaults,
  type StackFramesOptions,
  type StackReport,
} from "./stack/stack_frames.ts";
export { stackImages, stackImagesDefaults, type StackImagesOptions } from "./stack/stack_images.ts";
export { commonRegion, cropImage, cropImageDefaults, type CropImageOptions } from "./stack/crop_image.ts";

// background
export {
  type BackgroundSample,
  type BackgroundSamples,
  sampleBackground,
  sampleBackgroundDefaults,
  type SampleBackgroundOptions,
  type SampleDoubt,
} from "./background/sample_background.ts";
export {
  type BackgroundSurface,
  fitSurface,
  fitSurfaceDefaults,
  type FitSurfaceOptions,
  type SurfaceCandidate,
} from "./background/fit_surface.ts";
export {
  subtractSurface,
  subtractSurfaceDefaults,
  type SubtractSurfaceOptions,
} from "./background/subtract_surface.ts";
export { divideSurface, divideSurfaceDefaults, type DivideSurfaceOptions } from "./background/divide_surface.ts";
export {
  type ExtractedGradient,
  extractGradient,
  extractGradientDefaults,
  type ExtractGradientOptions,
} from "./background/extract_gradient.ts";

// detail
export {
  placeStarColours,
  placeStarColoursDefaults,
  type PlaceStarColoursOptions,
} from "./stars/place_star_colours.ts";
export { reduceNoise, reduceNoiseDefaults, type ReduceNoiseOptions } from "./detail/reduce_noise.ts";
export { enhanceDetail, enhanceDetailDefaults, type EnhanceDetailOptions } from "./detail/enhance_detail.ts";
export { deconvolve, deconvolveDefaults, type DeconvolveOptions } from "./detail/deconvolve.ts";
export {
  type SeparatedStars,
  separateStars,
  separateStarsDefaults,
  type SeparateStarsOptions,
} from "./stars/separate_stars.ts";
export { recombineStars, recombineStarsDefaults, type RecombineStarsOptions } from "./stars/recombine_stars.ts";
export { reduceStars, reduceStarsDefaults, type ReduceStarsOptions } from "./stars/reduce_stars.ts";
export { maskStars, maskStarsDefaults, type MaskStarsOptions } from "./stars/mask_stars.ts";

// tone
export { type Curve, curveThrough, prepareCurve, type PreparedCurve } from "./tone/curve.ts";
export type { StretchSettings } from "./tone/stretch.ts";
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
export { type ClippedShare, measureClipping } from "./tone/measure_clipping.ts";
export {
  applyHistogram,
  applyHistogramDefaults,
  type ApplyHistogramOptions,
  fitHistogram,
  type HistogramMatch,
  matchHistogram,
  matchHistogramDefaults,
  type MatchHistogramOptions,
  type ToneTable,
} from "./tone/match_histogram.ts";
export {
  equaliseAdaptiveHistogram,
  equaliseAdaptiveHistogramDefaults,
  type EqualiseAdaptiveHistogramOptions,
} from "./tone/equalise_adaptive_histogram.ts";
export { undoCurve } from "./tone/undo_curve.ts";

// colour
export { joinChannels } from "./colour/join_channels.ts";
export {
  type ChannelRule,
  channelRules,
  mapChannels,
  mapChannelsDefaults,
  type MapChannelsOptions,
} from "./colour/map_channels.ts";
export {
  equaliseChannels,
  equaliseChannelsDefaults,
  type EqualiseChannelsOptions,
} from "./colour/equalise_channels.ts";
export { neutraliseSky } from "./colour/neutralise_sky.ts";
export {
  balanceStars,
  measureStarBalance,
  type StarBalance,
  starBalanceDefaults,
  type StarBalanceOptions,
} from "./colour/balance_stars.ts";
export { limitGreen, limitGreenDefaults, type LimitGreenOptions } from "./colour/limit_green.ts";
export {
  subtractContinuum,
  subtractContinuumDefaults,
  type SubtractContinuumOptions,
} from "./colour/subtract_continuum.ts";
export { mapLineRatio, mapLineRatioDefaults, type MapLineRatioOptions } from "./colour/map_line_ratio.ts";
export { blendLines, blendLinesDefaults, type BlendLinesOptions, type LineColour } from "./colour/blend_lines.ts";
export {
  replaceLuminance,
  replaceLuminanceDefaults,
  type ReplaceLuminanceOptions,
} from "./colour/replace_luminance.ts";
export { fromOklab, toOklab } from "./colour/oklab_image.ts";
export { saturate, saturateDefaults, type SaturateOptions } from "./colour/saturate.ts";

// effect
export { type Change, type Effect, measureEffect, type Purpose, purposeDefaults } from "./effect/measure_effect.ts";
export {
  type HalvesReport,
  validateHalves,
  validateHalvesDefaults,
  type ValidateHalvesOptions,
} from "./effect/validate_halves.ts";

// view
export {
  type EncodedPicture,
  encodeSheet,
  encodeSheetDefaults,
  type EncodeSheetOptions,
  type Sheet,
} from "./view/sheet.ts";
export { type Theme, type ThemeName, themes } from "./view/palette.ts";
export { imageView, imageViewDefaults, type ImageViewOptions } from "./view/image_view.ts";
export { histogramPlot, histogramPlotDefaults, type HistogramPlotOptions } from "./view/histogram_plot.ts";
export { beforeAfterDefaults, type BeforeAfterOptions, beforeAfterSheet } from "./view/before_after.ts";
export { curvePlot, curvePlotDefaults, type CurvePlotOptions } from "./view/curve_plot.ts";
export { starOverlay, starOverlayDefaults, type StarOverlayOptions } from "./view/star_overlay.ts";
export { shapeMap, shapeMapDefaults, type ShapeMapOptions } from "./view/shape_map.ts";
export { radialProfile, radialProfileDefaults, type RadialProfileOptions } from "./view/radial_profile.ts";
export {
  noiseByScale,
  noiseByScaleDefaults,
  type NoiseByScaleOptions,
  type ScaleNoise,
} from "./view/noise_by_scale.ts";
export { surfaceView, surfaceViewDefaults, type SurfaceViewOptions } from "./view/surface_view.ts";
export { nightTimeline, nightTimelineDefaults, type NightTimelineOptions } from "./view/night_timeline.ts";
export { contactSheet, contactSheetDefaults, type ContactSheetOptions } from "./view/contact_sheet.ts";
export {
  type CloseFrame,
  frameCloseups,
  frameCloseupsDefaults,
  type FrameCloseupsOptions,
} from "./view/frame_closeups.ts";
export { thumbnail, thumbnailDefaults, type ThumbnailOptions } from "./view/thumbnail.ts";
export { historyTable, historyTableDefaults, type HistoryTableOptions } from "./view/history_table.ts";
export { sideBySide, sideBySideDefaults, type SideBySideOptions, type SideBySidePanel } from "./view/side_by_side.ts";
export { type Cell, table, tableSheetDefaults, type TableSheetOptions } from "./view/table.ts";
export { captionPicture, captionPictureDefaults, type CaptionPictureOptions } from "./view/caption_picture.ts";
export { reportHtml } from "./view/report_html.ts";
export {
  type Display,
  type DisplayMessage,
  displayTo,
  type InteractiveView,
  show,
  type Showable,
} from "./view/show.ts";
export { type CellProgress, cellProgress } from "./view/cell_progress.ts";
export { youShouldSee } from "./view/you_should_see.ts";
export { compareView, compareViewDefaults, type CompareViewOptions } from "./view/compare_view.ts";
export { tuneStretch, tuneStretchDefaults, type TuneStretchOptions } from "./view/tune_stretch.ts";
export { inspectImage, inspectImageDefaults, type InspectImageOptions } from "./view/inspect_image.ts";
export type {
  NightReport,
  ReportCalibration,
  ReportFrame,
  ReportLedgerLine,
  ReportStack,
  ReportStep,
} from "./view/report.ts";

// pipeline
export {
  type NightRun,
  type RerunOptions,
  type RerunOutcome,
  rerunPicture,
  runNight,
  type RunNightOptions,
} from "./pipeline/run_night.ts";
export {
  type NightWatch,
  type WatchLook,
  type WatchNews,
  watchNight,
  watchNightDefaults,
  type WatchNightOptions,
  type WatchStanding,
} from "./pipeline/watch_night.ts";
export { judgedFrame } from "./pipeline/night_report.ts";
export {
  parseRecipe,
  type Recipe,
  type RecipeStep,
  type RecipeStepDone,
  replayHistory,
  runRecipe,
} from "./pipeline/recipe.ts";
export { findStep, type StepDefinition, stepNames, type StepOptions, type StepResult } from "./pipeline/step.ts";
export { effectSheet } from "./pipeline/effect_sheet.ts";
export { defaultRecipe } from "./pipeline/default_recipe.ts";
export { type ReadRecord, readRecord } from "./pipeline/record.ts";
export { imageDigest } from "./pipeline/image_digest.ts";
export { libraryVersion } from "./pipeline/version.ts";
