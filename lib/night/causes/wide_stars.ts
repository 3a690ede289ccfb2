/** Round stars that are wider than the night's: seeing, focus or wind. */
import { madSigma } from "../../stats/mad_sigma.ts";
import { medianErrorFactor } from "../../stats/median_error.ts";
import type { StarMeasures } from "../star_measures.ts";
import type { Verdict } from "./cause.ts";
import { isDewOrHaze } from "./dew_or_haze.ts";
import { elongationOf } from "./elongated_stars.ts";
import { pixels } from "./evidence.ts";

/** Growth of the width that counts; the night's scatters, and errors of the frame's own width, to exceed (own). */
export const minimumWidthGrowth = 1.17;
const widthScatters = 3;
const widthErrors = 3;

/** Growth by air alone from which on a frame stands low: a third of that which counts (own). */
const minimumAirGrowth = 1.06;

/** Growth from which on neither air nor wind makes stars so wide (own). */
const defocusGrowth = 2.2;

/** Alignment and shape from which on wide stars are seen to be shaken: a little longer than the night's (own). */
const shakenAlignment = 0.6;
const minimumShakenShape = 0.045;

/** Moffat exponent over the night's from which on the profile has a flat top and short wings (own). */
const flatTopExponentRatio = 1.6;

/** Whether the profile is that of a star out of focus: a flat top and short wings. */
export const hasFlatTop = ({ quality, group }: StarMeasures): boolean =>
  quality.moffatBeta > flatTopExponentRatio * group.beta;

/** Whether stars are longer than the night's by little, all the same way: shaken stars are never quite round. */
function isShaken({ figures, group: { shape } }: StarMeasures): boolean {
  return figures.alignment > shakenAlignment &&
    figures.shape > Math.max(minimumShakenShape, 1.5 * shape.level, shape.level + 3 * shape.scatter);
}

/**
 * Growth of a star's width with airmass in turbulence as Kolmogorov described it, FWHM ∝ X^0.6 (Fried 1966, JOSA 56,
 * 1372).
 */
const airmassExponent = 0.6;

/** How much wider air alone makes stars than at the airmass of the night's sharper half; 1 where it is not known. */
export function expectedAirGrowth({ row: { record }, group }: StarMeasures): number {
  const growth = ((record.airmass ?? NaN) / group.airmass) ** airmassExponent;
  return growth > 1 ? growth : 1;
}

/** Whether the longer way through the air explains the width: no wider than a frame at the night's airmass may be. */
const isLow = (frame: StarMeasures): boolean => {
  const growth = expectedAirGrowth(frame);
  return growth > minimumAirGrowth && frame.widthGrowth <= minimumWidthGrowth * growth;
};

/** Standard error of a frame's width, the median over its stars: few stars that differ much tell it badly. */
function widthError({ quality: { stars } }: StarMeasures): number {
  const widths = stars.filter(({ saturated }) => !saturated).map(({ fwhmPixels }) => fwhmPixels);
  return medianErrorFactor * madSigma(widths) / Math.sqrt(widths.length);
}

/** What widens round stars. */
export type Widening = "defocus" | "low altitude" | "wind shake" | "focus drift" | "poor seeing";

/** What made round stars wide; null where they are not, where they are not round, or where drops scatter their flux. */
export function wideningOf(frame: StarMeasures): Widening | null {
  const { double, trail, figures, group: { width }, widthGrowth, ring } = frame;
  if (double !== null || trail !== null || elongationOf(frame) !== null) return null;
  const excess = figures.fwhm - width.level;
  const limit = Math.max(widthScatters * width.scatter, widthErrors * widthError(frame));
  if (!(widthGrowth > minimumWidthGrowth && excess > limit) || isDewOrHaze(frame)) return null;
  if (ring || widthGrowth > defocusGrowth) return "defocus";
  if (isLow(frame)) return "low altitude";
  if (isShaken(frame)) return "wind shake";
  return hasFlatTop(frame) ? "focus drift" : "poor seeing";
}

/** How far the width lies beyond its limit. */
export const wideningStrength = ({ widthGrowth }: StarMeasures): number => widthGrowth / minimumWidthGrowth;

/** Verdict by the width alone. */
export const wideningVerdict = ({ widthGrowth, options }: StarMeasures): Verdict =>
  widthGrowth > options.rejectWidth ? "reject" : "down-weight";

/** Width and roundness in words. */
export const widthEvidence = ({ figures, group, axisRatio }: StarMeasures): string =>
  `FWHM ${pixels(figures.fwhm)} (night ${pixels(group.width.level)}), stars round (axis ratio ${axisRatio.toFixed(2)})`;

/** Width, roundness and profile in words. */
export function profileEvidence(frame: StarMeasures): string {
  const { quality, group } = frame;
  const profile = hasFlatTop(frame) ? "profile with a flat top and short wings" : "profile as usual";
  const exponents = `Moffat exponent ${quality.moffatBeta.toFixed(1)}, night ${group.beta.toFixed(1)}`;
  return `${widthEvidence(frame)}, ${profile} (${exponents})`;
}
