/** A frame as dark as without light. */
import type { SkyMeasures } from "../sky_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";

function withoutStars({ starless, starlessEvidence }: SkyMeasures): CauseFinding | null {
  if (starless !== "closed") return null;
  return {
    cause: "lens cap or shutter closed",
    verdict: "reject",
    evidence: `${starlessEvidence}: as dark as without light`,
    strength: 3,
  };
}

/** The rule. */
export const lensCapOrShutterClosed: CauseRule = {
  cause: "lens cap or shutter closed",
  remedy: "open the cap; check the shutter before the run",
  withoutStars,
};
