/** The field is not flat: stars are long in different directions, or wider in the corners. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule, RigRun } from "./cause_rule.ts";
import { axisRatioEvidence, elongationOf, elongationStrength } from "./elongated_stars.ts";
import { percent } from "./evidence.ts";
import { isElongatedByTilt } from "./tilt.ts";

/** Median curvature of a run from which on the rig has it: a change of the width by 18 % (own). */
const minimumRigCurvature = 0.4;

function withStars(frame: StarMeasures): CauseFinding | null {
  if (elongationOf(frame) !== "several directions" || isElongatedByTilt(frame)) return null;
  return {
    cause: "curved field",
    or: "tilt",
    verdict: "down-weight",
    evidence: `${axisRatioEvidence(frame)}, in different directions over the field`,
    strength: elongationStrength(frame),
  };
}

function inRun({ group: { curvature } }: RigRun): string | null {
  if (!(Math.abs(curvature) > minimumRigCurvature)) return null;
  const change = curvature > 0 ? "larger" : "smaller";
  return `FWHM² is ${percent(Math.abs(curvature))} ${change} in the corners in most frames`;
}

/** The rule. */
export const curvedField: CauseRule = {
  cause: "curved field",
  remedy: "check the distance from the corrector to the sensor",
  withStars,
  inRun,
};
