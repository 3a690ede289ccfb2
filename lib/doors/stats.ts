/**
 * Robust statistics and seeded random numbers. Nothing is defined here.
 * @module
 */

// core
import "../host/deno.ts";

export { type RandomStream, randomStream } from "../core/random.ts";

// stats
export { type AxialMean, axialMean } from "../stats/axial.ts";
export { biweightLocation, biweightScale } from "../stats/biweight.ts";
export { type ExtremeDeviates, extremeDeviates, studentQuantile } from "../stats/extreme_deviates.ts";
export { type Histogram, histogram } from "../stats/histogram.ts";
export { type HuberEstimate, huberEstimate, huberLimit } from "../stats/huber.ts";
export { mad, madSigma, madSigmaFactor } from "../stats/mad_sigma.ts";
export { median, quantile, weightedMedian } from "../stats/median.ts";
export { qnScale, robustScale, snScale } from "../stats/pairwise_scale.ts";
export { type RobustFit, robustFit, type RobustFitOptions, type RobustLine, robustLine } from "../stats/robust_fit.ts";
export {
  clippedSdFactor,
  type ClippedStatistics,
  sigmaClip,
  type SigmaClipOptions,
  skewedMode,
} from "../stats/sigma_clip.ts";
