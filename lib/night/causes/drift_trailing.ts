/** The mount drifted: stars trail in one direction. */
import type { StarMeasures } from "../star_measures.ts";
import { isDispersion } from "./atmospheric_dispersion.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { addedAcross, elongationOf, isDriftOrWind, trailedFinding, windShare } from "./elongated_stars.ts";

function withStars(frame: StarMeasures): CauseFinding | null {
  const share = addedAcross(frame);
  if (elongationOf(frame) !== "one direction" || isDispersion(frame) || share > windShare) return null;
  return {
    cause: "drift trailing",
    or: isDriftOrWind(share) ? "wind shake" : undefined,
    ...trailedFinding(frame),
  };
}

/** The rule. */
export const driftTrailing: CauseRule = {
  cause: "drift trailing",
  remedy: "improve polar alignment, guide, or shorten the exposure",
  withStars,
};
