/** The sensor is not square to the optical axis: stars grow towards one side. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule, RigRun } from "./cause_rule.ts";
import { elongationOf } from "./elongated_stars.ts";
import { percent } from "./evidence.ts";

/** Tilt, and its standard errors, from which on it explains stars that are long in several directions (own). */
const explainingTilt = 0.25;
const explainingSignificance = 5;

/** Median tilt of a run from which on the rig has it: a change of the width by 12 % (own). */
const minimumRigTilt = 0.25;

/** Whether stars are long in several directions and widths change towards one side. */
export function isElongatedByTilt(frame: StarMeasures): boolean {
  const { tilt, tiltSignificance } = frame.quality.fieldMap;
  return tiltSignificance > explainingSignificance && tilt > explainingTilt &&
    elongationOf(frame) === "several directions";
}

function withStars(frame: StarMeasures): CauseFinding | null {
  if (!frame.tilted && !isElongatedByTilt(frame)) return null;
  const { tilt, tiltDegrees } = frame.quality.fieldMap;
  return {
    cause: "tilt",
    verdict: "keep",
    evidence: `FWHM² changes by ${percent(tilt)} from the middle to a corner towards ${Math.round(tiltDegrees)}°`,
    strength: tilt / 0.3,
  };
}

const inRun = ({ group }: RigRun): string | null =>
  group.tilt > minimumRigTilt
    ? `FWHM² changes by ${percent(group.tilt)} from the middle to a corner in most frames`
    : null;

/** The rule. */
export const tilt: CauseRule = {
  cause: "tilt",
  remedy: "square the sensor to the optical axis: adjust the tilt plate, check for sag in the train",
  withStars,
  inRun,
};
