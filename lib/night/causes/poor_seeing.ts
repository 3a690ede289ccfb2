/** Restless air: wide, round stars with their usual profile. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { profileEvidence, wideningOf, wideningStrength, wideningVerdict } from "./wide_stars.ts";

function withStars(frame: StarMeasures): CauseFinding | null {
  if (wideningOf(frame) !== "poor seeing") return null;
  return {
    cause: "poor seeing",
    or: "focus drift",
    verdict: wideningVerdict(frame),
    evidence: profileEvidence(frame),
    strength: wideningStrength(frame),
  };
}

/** The rule. */
export const poorSeeing: CauseRule = {
  cause: "poor seeing",
  remedy: "nothing on the rig; shoot higher in the sky and on calmer nights",
  withStars,
};
