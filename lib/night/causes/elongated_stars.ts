/** Stars longer than the night's, neither double nor turned: all the same way, or in different directions. */
import type { FrameQuality } from "../../measure/measure_frame.ts";
import { madSigma } from "../../stats/mad_sigma.ts";
import { medianErrorFactor } from "../../stats/median_error.ts";
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import { percent } from "./evidence.ts";

/** Shape that counts: at least this, beyond the night's scatter and beyond its level (own). */
const minimumShape = 0.16;
const shapeScatters = 4;
const shapeGrowth = 1.4;

/** Axis ratio below which nobody sees a star as long (own). */
const minimumAxisRatio = 1.12;

/** Share of the elongation in common from which on it has one direction (own). */
const minimumAlignment = 0.6;

/** Standard errors by which the mean elongation must exceed that of round stars. */
const shapeErrors = 4;

/**
 * Whether the mean elongation exceeds what the scatter from star to star lets expect of round ones, four times over.
 */
function isElongationCertain(quality: FrameQuality): boolean {
  const stars = quality.stars.filter((star) => !star.saturated && star.snr >= 12);
  if (stars.length < 3) return false;
  // Directions that differ over the field are no mean: the scatter itself is the elongation then.
  if (quality.alignment < minimumAlignment) return true;
  const [mean1, mean2] = quality.meanShape;
  const scatter = Math.hypot(
    madSigma(stars.map((star) => star.shape[0] - mean1), 0),
    madSigma(stars.map((star) => star.shape[1] - mean2), 0),
  ) / Math.SQRT2;
  return Math.hypot(mean1, mean2) > shapeErrors * medianErrorFactor * scatter / Math.sqrt(stars.length);
}

/** How the stars are elongated; null where they are not, or where they are double or trail round a centre. */
export function elongationOf(frame: StarMeasures): "one direction" | "several directions" | null {
  const { double, trail, figures, axisRatio, group: { shape }, quality } = frame;
  if (double !== null || trail !== null) return null;
  const limit = Math.max(minimumShape, shape.level + shapeScatters * shape.scatter, shapeGrowth * shape.level);
  const elongated = figures.shape > limit && axisRatio > minimumAxisRatio && isElongationCertain(quality);
  if (!elongated) return null;
  return figures.alignment > minimumAlignment ? "one direction" : "several directions";
}

/** How far the axis ratio lies beyond its limit. */
export const elongationStrength = ({ axisRatio, usualAxisRatio }: StarMeasures): number =>
  axisRatio / Math.max(minimumAxisRatio, usualAxisRatio);

/** The axis ratio and that of the night, in words. */
export const axisRatioEvidence = ({ axisRatio, usualAxisRatio }: StarMeasures): string =>
  `axis ratio ${axisRatio.toFixed(2)} (night ${usualAxisRatio.toFixed(2)})`;

/** Axis ratio and direction in words. */
export const elongationEvidence = (frame: StarMeasures): string =>
  `${axisRatioEvidence(frame)} along ${Math.round(frame.figures.degrees)}°`;

/** Verdict, numbers and strength of stars that trail in one direction. */
export function trailedFinding(frame: StarMeasures): Pick<CauseFinding, "verdict" | "evidence" | "strength"> {
  const { axisRatio, widthGrowth, shortGrowth, options } = frame;
  const rejected = axisRatio > options.rejectAxisRatio || widthGrowth > options.rejectWidth;
  return {
    verdict: rejected ? "reject" : "down-weight",
    evidence: `${elongationEvidence(frame)}, the same everywhere; across it stars are ${
      percent(shortGrowth)
    } of the night's width`,
    strength: elongationStrength(frame),
  };
}

/**
 * What was added to the stars' width across their long axis over what was added along it: a drift adds along its
 * direction only, gusts to all sides.
 */
export function addedAcross({ shortGrowth, axisRatio }: StarMeasures): number {
  const across = Math.max(0, shortGrowth * shortGrowth - 1);
  const along = shortGrowth * shortGrowth * axisRatio * axisRatio - 1;
  return Math.sqrt(across / Math.max(1e-6, along));
}

/** Width added across over along from which on gusts fit better than a drift, and between which both fit (own). */
export const windShare = 0.33;
const eitherShares = [0.22, 0.45] as const;

/** Whether a drift and gusts fit alike. */
export const isDriftOrWind = (share: number): boolean => share > eitherShares[0] && share < eitherShares[1];
