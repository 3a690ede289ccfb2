/** The target stands low: stars are as wide as the longer way through the air makes them. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { expectedAirGrowth, wideningOf, wideningStrength, wideningVerdict, widthEvidence } from "./wide_stars.ts";

function withStars(frame: StarMeasures): CauseFinding | null {
  if (wideningOf(frame) !== "low altitude") return null;
  const { row: { record }, group } = frame;
  const growth = expectedAirGrowth(frame).toFixed(2);
  return {
    cause: "low altitude",
    verdict: wideningVerdict(frame),
    evidence: `${widthEvidence(frame)}; at airmass ${record.airmass?.toFixed(2)} (night ${
      group.airmass.toFixed(2)
    }) air alone widens stars by ${growth}`,
    strength: wideningStrength(frame),
  };
}

/** The rule. */
export const lowAltitude: CauseRule = {
  cause: "low altitude",
  remedy: "shoot the target while it stands higher, nearer to its culmination",
  withStars,
};
