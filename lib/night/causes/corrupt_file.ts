/** A file that cannot be read, or whose samples are missing or constant. */
import type { NightRow } from "../night_row.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { percent } from "./evidence.ts";

/** Share of lost samples that counts: far above the dead pixels and columns of any sensor (own). */
const minimumLostShare = 0.02;

/** Share of lost samples from which on the rest is not looked at (own). */
const rejectLostShare = 0.1;

function inFile({ record, problem, quality }: NightRow): CauseFinding | null {
  if (problem || quality === null) {
    return {
      cause: "corrupt file",
      verdict: "reject",
      evidence: problem ?? "could not be measured",
      strength: 9,
      conclusive: true,
    };
  }
  // a border that most lights have was padded by a program and is no fault of one file
  const { blankShare } = record;
  const lost = blankShare === undefined
    ? quality.constantShare + quality.missingShare
    : quality.missingShare - blankShare;
  if (!(lost > minimumLostShare)) return null;
  const conclusive = lost > rejectLostShare;
  return {
    cause: "corrupt file",
    verdict: conclusive ? "reject" : "down-weight",
    evidence: `${percent(lost)} of the frame is missing or one constant value`,
    strength: lost / minimumLostShare,
    conclusive,
  };
}

/** The rule. */
export const corruptFile: CauseRule = {
  cause: "corrupt file",
  remedy: "copy the file again; check the disk and the cable",
  inFile,
};
