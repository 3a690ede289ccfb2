/** Round stars that are wider than the night's: seeing, focus or wind. */
import type { StarMeasures } from "../star_measures.ts";
import type { Verdict } from "./cause.ts";
import { isDewOrHaze } from "./dew_or_haze.ts";
import { elongationOf } from "./elongated_stars.ts";
import { pixels } from "./evidence.ts";

/** Growth of the width that counts, and the night's scatters that it must exceed (own). */
export const minimumWidthGrowth = 1.17;
const widthScatters = 3;

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

/** What made round stars wide; null where they are not, where they are not round, or where drops scatter their flux. */
export function wideningOf(frame: StarMeasures): "defocus" | "wind shake" | "focus drift" | "poor seeing" | null {
  const { double, trail, figures, group: { width }, widthGrowth, ring } = frame;
  if (double !== null || trail !== null || elongationOf(frame) !== null) return null;
  const z = (figures.fwhm - width.level) / width.scatter;
  if (!(widthGrowth > minimumWidthGrowth && z > widthScatters) || isDewOrHaze(frame)) return null;
  if (ring || widthGrowth > defocusGrowth) return "defocus";
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
