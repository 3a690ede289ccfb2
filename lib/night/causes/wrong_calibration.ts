/** A dark or flat that does not belong to the light. */
import type { NightRow } from "../night_row.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule, RigRun } from "./cause_rule.ts";
import { tenth } from "./evidence.ts";

/**
 * Depth of the sky below a frame without light, in units of the noise of a pixel, from which on the dark is wrong: no
 * sky is darker than none, and its level is known to a few hundredths of that noise.
 */
const maximumSkyDeficit = 0.3;

function inFile({ calibrationProblem, quality, darkLevel }: NightRow): CauseFinding | null {
  if (quality === null) return null;
  const found = { cause: "wrong calibration", verdict: "down-weight" } as const;
  if (calibrationProblem) return { ...found, evidence: calibrationProblem, strength: 2 };
  const deficit = (darkLevel ?? -Infinity) - quality.background;
  if (!(deficit > maximumSkyDeficit * quality.noise)) return null;
  return {
    ...found,
    evidence: `the sky lies ${tenth(deficit)} below a frame without light (noise ${tenth(quality.noise)})`,
    strength: deficit / (maximumSkyDeficit * quality.noise),
  };
}

/** A run in which most frames show it has one wrong master. */
function inRun({ group, findings }: RigRun): string | null {
  const wrong = findings.flatMap((list) => list.filter((each) => each.cause === "wrong calibration"));
  return wrong.length > group.rows.length / 2
    ? `${wrong.length} of ${group.rows.length} frames; ${wrong[0].evidence}`
    : null;
}

/** The rule. */
export const wrongCalibration: CauseRule = {
  cause: "wrong calibration",
  remedy:
    "take darks of the lights' exposure, gain, offset and temperature, and flats of their filter; see calibration.csv",
  inFile,
  inRun,
};
