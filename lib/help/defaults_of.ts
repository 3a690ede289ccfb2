/** What a function uses for the options that a caller leaves out: one way to ask, for all of them. */
import { imageFromFunction, imageFromFunctionDefaults } from "../arithmetic/image_from_function.ts";
import { imageFromRows, imageFromRowsDefaults } from "../arithmetic/image_from_rows.ts";
import { mixImages, mixImagesDefaults } from "../arithmetic/mix_images.ts";
import { divideSurface, divideSurfaceDefaults } from "../background/divide_surface.ts";
import { extractGradient, extractGradientDefaults } from "../background/extract_gradient.ts";
import { fitSurface, fitSurfaceDefaults } from "../background/fit_surface.ts";
import { sampleBackground, sampleBackgroundDefaults } from "../background/sample_background.ts";
import { subtractSurfaceDefaults } from "../background/subtract_surface.ts";
import { calibrateFrame, calibrateFrameDefaults } from "../calibrate/calibrate_frame.ts";
import { combineBias } from "../calibrate/combine_bias.ts";
import { combineDark } from "../calibrate/combine_dark.ts";
import { combineFlat, combineFlatDefaults } from "../calibrate/combine_flat.ts";
import { combineMasterDefaults } from "../calibrate/combine_master.ts";
import { demosaic, demosaicDefaults } from "../calibrate/demosaic.ts";
import { findDefects, findDefectsDefaults } from "../calibrate/find_defects.ts";
import { prepareCorrection, prepareCorrectionDefaults } from "../calibrate/prepare_correction.ts";
import { removeCosmicRays, removeCosmicRaysDefaults } from "../calibrate/remove_cosmic_rays.ts";
import { repairPixels, repairPixelsDefaults } from "../calibrate/repair_pixels.ts";
import { trimOverscan, trimOverscanDefaults } from "../calibrate/trim_overscan.ts";
import {
  balanceStars,
  balanceStarsDefaults,
  measureStarBalance,
  starBalanceDefaults,
} from "../colour/balance_stars.ts";
import { blendLines, blendLinesDefaults } from "../colour/blend_lines.ts";
import { equaliseChannels, equaliseChannelsDefaults } from "../colour/equalise_channels.ts";
import { limitGreen, limitGreenDefaults } from "../colour/limit_green.ts";
import { mapChannels, mapChannelsDefaults } from "../colour/map_channels.ts";
import { mapLineRatio, mapLineRatioDefaults } from "../colour/map_line_ratio.ts";
import { replaceLuminance, replaceLuminanceDefaults } from "../colour/replace_luminance.ts";
import { mixLuminance, mixLuminanceDefaults } from "../colour/mix_luminance.ts";
import { addLine, addLineDefaults } from "../colour/add_line.ts";
import { unmixLines, unmixLinesDefaults } from "../colour/unmix_lines.ts";
import { saturate, saturateDefaults } from "../colour/saturate.ts";
import { subtractContinuum, subtractContinuumDefaults } from "../colour/subtract_continuum.ts";
import { deconvolve, deconvolveDefaults } from "../detail/deconvolve.ts";
import { enhanceDetail, enhanceDetailDefaults } from "../detail/enhance_detail.ts";
import { reduceNoise, reduceNoiseDefaults } from "../detail/reduce_noise.ts";
import { measureEffect } from "../effect/measure_effect.ts";
import { purposeDefaults } from "../effect/purpose.ts";
import { validateHalves, validateHalvesDefaults } from "../effect/validate_halves.ts";
import { encodeJpeg, encodeJpegDefaults } from "../io/jpeg.ts";
import { listFrames, listFramesDefaults } from "../io/list_frames.ts";
import { encodePng16, encodePng16Defaults } from "../io/png.ts";
import { readFits, readFitsDefaults } from "../io/read_fits.ts";
import { writeFits, writeFitsDefaults } from "../io/write_fits.ts";
import { subtractSurface } from "../kernels/detection.ts";
import { measureBackground, measureBackgroundDefaults } from "../measure/measure_background.ts";
import { measureFrame, measureFrameDefaults } from "../measure/measure_frame.ts";
import { measureLevels, measureLevelsDefaults } from "../measure/measure_levels.ts";
import { measureNoise, measureNoiseDefaults } from "../measure/measure_noise.ts";
import { photonTransfer, photonTransferDefaults } from "../measure/photon_transfer.ts";
import { auditCalibration } from "../night/audit_calibration.ts";
import { auditCalibrationDefaults } from "../night/audit_calibration_options.ts";
import { diagnoseNight } from "../night/diagnose_night.ts";
import { diagnoseNightDefaults } from "../night/diagnose_night_options.ts";
import { matchCalibration } from "../night/match_calibration.ts";
import { matchCalibrationDefaults } from "../night/match_calibration_options.ts";
import { weightFrames, weightFramesDefaults } from "../night/weight_frames.ts";
import { applyNormalisation, applyNormalisationDefaults } from "../normalise/apply_normalisation.ts";
import { fitNormalisation, fitNormalisationDefaults } from "../normalise/fit_normalisation.ts";
import { measureStarFluxRatios, measureStarFluxRatiosDefaults } from "../normalise/measure_star_flux_ratios.ts";
import { prepareNormalisation, prepareNormalisationDefaults } from "../normalise/prepare_normalisation.ts";
import { compareImages, compareImagesDefaults } from "../pipeline/compare_images.ts";
import { makeMasters, makeMastersDefaults } from "../pipeline/make_masters.ts";
import { openNight, openNightDefaults } from "../pipeline/open_night.ts";
import { readLight, readLightDefaults } from "../pipeline/read_light.ts";
import { recipeOf, recipeOfDefaults } from "../pipeline/recipe_of.ts";
import { defaultRecipe, defaultRecipeDefaults } from "../pipeline/default_recipe.ts";
import { runNight, runNightDefaults } from "../pipeline/run_night.ts";
import { stackNight, stackNightDefaults } from "../pipeline/stack_night.ts";
import { watchNight } from "../pipeline/watch_night.ts";
import { watchNightDefaults } from "../pipeline/watch_night_options.ts";
import { writePicture, writePictureDefaults } from "../pipeline/write_picture.ts";
import { alignImage, alignImageDefaults } from "../register/align_image.ts";
import { describeTransform, describeTransformDefaults } from "../register/describe_transform.ts";
import { fitTransform, fitTransformDefaults } from "../register/fit_transform.ts";
import { matchStars, matchStarsDefaults } from "../register/match_stars.ts";
import { phaseCorrelate, phaseCorrelateDefaults } from "../register/phase_correlation.ts";
import { registerFrames, registerFramesDefaults } from "../register/register_frames.ts";
import { resample, resampleDefaults } from "../register/resample.ts";
import { frameConditionsDefaults } from "../simulate/frame_conditions.ts";
import { lanternNebula, lanternNebulaDefaults } from "../simulate/lantern_nebula.ts";
import { lanternScene, lanternSceneDefaults } from "../simulate/lantern_scene.ts";
import { renderStars, renderStarsDefaults } from "../simulate/render_stars.ts";
import { starScene, starSceneDefaults } from "../simulate/scene.ts";
import { simulateCalibration, simulateCalibrationDefaults } from "../simulate/simulate_calibration.ts";
import { simulateFrame } from "../simulate/simulate_frame.ts";
import { starField, starFieldDefaults } from "../simulate/star_field.ts";
import { cropImage, cropImageDefaults } from "../stack/crop_image.ts";
import { stackFrames } from "../stack/stack_frames.ts";
import { stackImages, stackImagesDefaults } from "../stack/stack_images.ts";
import { stackFramesDefaults } from "../stack/stack_options.ts";
import { detectStars, detectStarsDefaults } from "../stars/detect_stars.ts";
import { maskStars, maskStarsDefaults } from "../stars/mask_stars.ts";
import { placeStarColours, placeStarColoursDefaults } from "../stars/place_star_colours.ts";
import { recombineStars, recombineStarsDefaults } from "../stars/recombine_stars.ts";
import { reduceStars, reduceStarsDefaults } from "../stars/reduce_stars.ts";
import { separateStars, separateStarsDefaults } from "../stars/separate_stars.ts";
import { robustFit, robustFitDefaults } from "../stats/robust_fit.ts";
import { sigmaClip, sigmaClipDefaults } from "../stats/sigma_clip.ts";
import { fitThinPlate, thinPlateDefaults } from "../surfaces/fit_thin_plate.ts";
import { fitPolynomialSurface, fitPolynomialSurfaceDefaults } from "../surfaces/polynomial_surface.ts";
import { renderThinPlate, renderThinPlateDefaults } from "../surfaces/render_thin_plate.ts";
import { applyCurve, applyCurveDefaults } from "../tone/apply_curve.ts";
import { automaticStretch, automaticStretchDefaults } from "../tone/automatic_stretch.ts";
import { equaliseAdaptiveHistogram, equaliseAdaptiveHistogramDefaults } from "../tone/equalise_adaptive_histogram.ts";
import {
  applyHistogram,
  applyHistogramDefaults,
  matchHistogram,
  matchHistogramDefaults,
} from "../tone/match_histogram.ts";
import { stretchAsinh, stretchAsinhDefaults } from "../tone/stretch_asinh.ts";
import { stretchDefaults } from "../tone/stretch.ts";
import { stretchImage } from "../tone/stretch_image.ts";
import { stretchLog, stretchLogDefaults } from "../tone/stretch_log.ts";
import { stretchPower, stretchPowerDefaults } from "../tone/stretch_power.ts";
import { stretchRational, stretchRationalDefaults } from "../tone/stretch_rational.ts";
import { stretchSigmoid, stretchSigmoidDefaults } from "../tone/stretch_sigmoid.ts";
import { undoStretch, undoStretchDefaults } from "../tone/undo_stretch.ts";
import { beforeAfterDefaults, beforeAfterSheet } from "../view/before_after_sheet.ts";
import { captionPicture, captionPictureDefaults } from "../view/caption_picture.ts";
import { compareView, compareViewDefaults } from "../view/compare_view.ts";
import { contactSheet, contactSheetDefaults } from "../view/contact_sheet.ts";
import { curvePlot, curvePlotDefaults } from "../view/curve_plot.ts";
import { frameCloseups, frameCloseupsDefaults } from "../view/frame_closeups.ts";
import { histogramPlot, histogramPlotDefaults } from "../view/histogram_plot.ts";
import { historyTable, historyTableDefaults } from "../view/history_table.ts";
import { imageView, imageViewDefaults } from "../view/image_view.ts";
import { inspectImage, inspectImageDefaults } from "../view/inspect_image.ts";
import { nightTimeline, nightTimelineDefaults } from "../view/night_timeline.ts";
import { noiseByScale, noiseByScaleDefaults } from "../view/noise_by_scale.ts";
import { radialProfile, radialProfileDefaults } from "../view/radial_profile.ts";
import { shapeMap, shapeMapDefaults } from "../view/shape_map.ts";
import { encodeSheet, encodeSheetDefaults } from "../view/sheet.ts";
import { sideBySide, sideBySideDefaults } from "../view/side_by_side.ts";
import { starOverlay, starOverlayDefaults } from "../view/star_overlay.ts";
import { surfaceView, surfaceViewDefaults } from "../view/surface_view.ts";
import { table, tableDefaults } from "../view/table.ts";
import { thumbnail, thumbnailDefaults } from "../view/thumbnail.ts";
import { tuneStretch, tuneStretchDefaults } from "../view/tune_stretch.ts";
import { workbench, workbenchDefaults } from "../workbench/workbench.ts";

/** Any function of the library: what it takes does not matter here. */
export type LibraryFunction = (...values: never[]) => unknown;

/** A function and its frozen defaults. */
type Row = readonly [step: LibraryFunction, defaults: object];

const rows: readonly Row[] = [
  [alignImage, alignImageDefaults],
  [applyCurve, applyCurveDefaults],
  [applyHistogram, applyHistogramDefaults],
  [applyNormalisation, applyNormalisationDefaults],
  [auditCalibration, auditCalibrationDefaults],
  [automaticStretch, automaticStretchDefaults],
  [balanceStars, balanceStarsDefaults],
  [balanceStars, starBalanceDefaults],
  [beforeAfterSheet, beforeAfterDefaults],
  [blendLines, blendLinesDefaults],
  [calibrateFrame, calibrateFrameDefaults],
  [captionPicture, captionPictureDefaults],
  [combineBias, combineMasterDefaults],
  [combineDark, combineMasterDefaults],
  [combineFlat, combineFlatDefaults],
  [compareImages, compareImagesDefaults],
  [compareView, compareViewDefaults],
  [contactSheet, contactSheetDefaults],
  [cropImage, cropImageDefaults],
  [curvePlot, curvePlotDefaults],
  [deconvolve, deconvolveDefaults],
  [demosaic, demosaicDefaults],
  [describeTransform, describeTransformDefaults],
  [detectStars, detectStarsDefaults],
  [diagnoseNight, diagnoseNightDefaults],
  [divideSurface, divideSurfaceDefaults],
  [encodeJpeg, encodeJpegDefaults],
  [encodePng16, encodePng16Defaults],
  [encodeSheet, encodeSheetDefaults],
  [enhanceDetail, enhanceDetailDefaults],
  [equaliseAdaptiveHistogram, equaliseAdaptiveHistogramDefaults],
  [equaliseChannels, equaliseChannelsDefaults],
  [extractGradient, extractGradientDefaults],
  [findDefects, findDefectsDefaults],
  [fitNormalisation, fitNormalisationDefaults],
  [fitPolynomialSurface, fitPolynomialSurfaceDefaults],
  [fitSurface, fitSurfaceDefaults],
  [fitThinPlate, thinPlateDefaults],
  [fitTransform, fitTransformDefaults],
  [frameCloseups, frameCloseupsDefaults],
  [histogramPlot, histogramPlotDefaults],
  [historyTable, historyTableDefaults],
  [imageFromFunction, imageFromFunctionDefaults],
  [imageFromRows, imageFromRowsDefaults],
  [imageView, imageViewDefaults],
  [inspectImage, inspectImageDefaults],
  [lanternNebula, lanternNebulaDefaults],
  [lanternScene, lanternSceneDefaults],
  [limitGreen, limitGreenDefaults],
  [listFrames, listFramesDefaults],
  [makeMasters, makeMastersDefaults],
  [mapChannels, mapChannelsDefaults],
  [mapLineRatio, mapLineRatioDefaults],
  [maskStars, maskStarsDefaults],
  [matchCalibration, matchCalibrationDefaults],
  [matchHistogram, matchHistogramDefaults],
  [matchStars, matchStarsDefaults],
  [measureBackground, measureBackgroundDefaults],
  [measureEffect, purposeDefaults],
  [measureFrame, measureFrameDefaults],
  [measureLevels, measureLevelsDefaults],
  [measureNoise, measureNoiseDefaults],
  [measureStarBalance, starBalanceDefaults],
  [measureStarFluxRatios, measureStarFluxRatiosDefaults],
  [mixImages, mixImagesDefaults],
  [nightTimeline, nightTimelineDefaults],
  [noiseByScale, noiseByScaleDefaults],
  [openNight, openNightDefaults],
  [phaseCorrelate, phaseCorrelateDefaults],
  [photonTransfer, photonTransferDefaults],
  [placeStarColours, placeStarColoursDefaults],
  [prepareCorrection, prepareCorrectionDefaults],
  [prepareNormalisation, prepareNormalisationDefaults],
  [radialProfile, radialProfileDefaults],
  [readFits, readFitsDefaults],
  [readLight, readLightDefaults],
  [recipeOf, recipeOfDefaults],
  [defaultRecipe, defaultRecipeDefaults],
  [recombineStars, recombineStarsDefaults],
  [reduceNoise, reduceNoiseDefaults],
  [reduceStars, reduceStarsDefaults],
  [registerFrames, registerFramesDefaults],
  [removeCosmicRays, removeCosmicRaysDefaults],
  [renderStars, renderStarsDefaults],
  [renderThinPlate, renderThinPlateDefaults],
  [repairPixels, repairPixelsDefaults],
  [replaceLuminance, replaceLuminanceDefaults],
  [mixLuminance, mixLuminanceDefaults],
  [addLine, addLineDefaults],
  [unmixLines, unmixLinesDefaults],
  [resample, resampleDefaults],
  [robustFit, robustFitDefaults],
  [runNight, runNightDefaults],
  [sampleBackground, sampleBackgroundDefaults],
  [saturate, saturateDefaults],
  [separateStars, separateStarsDefaults],
  [shapeMap, shapeMapDefaults],
  [sideBySide, sideBySideDefaults],
  [sigmaClip, sigmaClipDefaults],
  [simulateCalibration, simulateCalibrationDefaults],
  [simulateFrame, frameConditionsDefaults],
  [stackFrames, stackFramesDefaults],
  [stackImages, stackImagesDefaults],
  [stackNight, stackNightDefaults],
  [starField, starFieldDefaults],
  [starOverlay, starOverlayDefaults],
  [starScene, starSceneDefaults],
  [stretchAsinh, stretchAsinhDefaults],
  [stretchImage, stretchDefaults],
  [stretchLog, stretchLogDefaults],
  [stretchPower, stretchPowerDefaults],
  [stretchRational, stretchRationalDefaults],
  [stretchSigmoid, stretchSigmoidDefaults],
  [subtractContinuum, subtractContinuumDefaults],
  [subtractSurface, subtractSurfaceDefaults],
  [surfaceView, surfaceViewDefaults],
  [table, tableDefaults],
  [thumbnail, thumbnailDefaults],
  [trimOverscan, trimOverscanDefaults],
  [tuneStretch, tuneStretchDefaults],
  [undoStretch, undoStretchDefaults],
  [validateHalves, validateHalvesDefaults],
  [watchNight, watchNightDefaults],
  [weightFrames, weightFramesDefaults],
  [workbench, workbenchDefaults],
  [writeFits, writeFitsDefaults],
  [writePicture, writePictureDefaults],
];

const byFunction: ReadonlyMap<LibraryFunction, object> = new Map(rows);
const byName: ReadonlyMap<string, object> = new Map(rows.map(([step, defaults]) => [step.name, defaults]));

/** Names of the functions that have defaults, sorted. */
export const namesWithOptions: readonly string[] = Object.freeze([...byName.keys()].sort());

/** Known name that shares the longest beginning with the given one. */
function nearestName(name: string): string {
  const shared = (known: string): number => {
    let n = 0;
    while (n < known.length && known[n].toLowerCase() === name[n]?.toLowerCase()) n++;
    return n;
  };
  return namesWithOptions.toSorted((a, b) => shared(b) - shared(a))[0];
}

/**
 * The options of a function with the values that it uses for those left out, frozen.
 *
 * @param step the function, or its name
 * @throws {TypeError} if it is no function of the library with options; the message names the nearest one
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { defaultsOf, reduceStars } from "faintlight";
 *
 * assert.equal(defaultsOf(reduceStars).strength, 0.5);
 * assert.equal(defaultsOf("reduceStars"), defaultsOf(reduceStars));
 * assert.throws(() => defaultsOf("reduceStar"), /did you mean "reduceStars"/);
 * ```
 */
export function defaultsOf(step: LibraryFunction | string): Readonly<Record<string, unknown>> {
  const found = typeof step === "string" ? byName.get(step) : byFunction.get(step);
  if (found === undefined) {
    const name = typeof step === "string" ? step : step.name;
    throw new TypeError(
      `defaultsOf: step must be a function of the library with options, but got "${name}"; did you mean "${
        nearestName(name)
      }"?`,
    );
  }
  return found as Readonly<Record<string, unknown>>;
}
