/** Gusts shake the telescope: stars grow to all sides, more along one direction. */
import type { StarMeasures } from "../star_measures.ts";
import { isDispersion } from "./atmospheric_dispersion.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { addedAcross, elongationOf, isDriftOrWind, trailedFinding, windShare } from "./elongated_stars.ts";
import { profileEvidence, wideningOf, wideningStrength, wideningVerdict } from "./wide_stars.ts";

/** Growth of shaken stars that are hardly longer than wide from which on they are rejected (own). */
const rejectGrowth = 1.2;

/** Long stars whose width grew across their long axis too. */
function elongated(frame: StarMeasures): CauseFinding | null {
  const share = addedAcross(frame);
  if (elongationOf(frame) !== "one direction" || isDispersion(frame) || !(share > windShare)) return null;
  return {
    cause: "wind shake",
    or: isDriftOrWind(share) ? "drift trailing" : undefined,
    ...trailedFinding(frame),
  };
}

/** Wide stars that are nearly round. */
function widened(frame: StarMeasures): CauseFinding | null {
  if (wideningOf(frame) !== "wind shake") return null;
  return {
    cause: "wind shake",
    or: "poor seeing",
    verdict: frame.widthGrowth > rejectGrowth ? "reject" : wideningVerdict(frame),
    evidence: profileEvidence(frame),
    strength: wideningStrength(frame),
  };
}

/** The rule. */
export const windShake: CauseRule = {
  cause: "wind shake",
  remedy: "shelter the telescope from the wind, or shorten the exposure",
  withStars: (frame) => elongated(frame) ?? widened(frame),
};
