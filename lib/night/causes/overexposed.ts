/** A share of the pixels at full scale. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";

/** Share of saturated pixels beyond what bright stars' cores make, and share from which on little is left (own). */
const minimumSaturatedShare = 0.005;
const rejectSaturatedShare = 0.2;

function withStars({ quality: { saturatedShare } }: StarMeasures): CauseFinding | null {
  if (!(saturatedShare > minimumSaturatedShare)) return null;
  return {
    cause: "overexposed",
    verdict: saturatedShare > rejectSaturatedShare ? "reject" : "down-weight",
    evidence: `${(saturatedShare * 100).toFixed(1)} % of the pixels at full scale`,
    strength: saturatedShare / minimumSaturatedShare,
  };
}

/** The rule. */
export const overexposed: CauseRule = {
  cause: "overexposed",
  remedy: "shorten the exposure or lower the gain",
  withStars,
};
