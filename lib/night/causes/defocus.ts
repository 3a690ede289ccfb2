/** Stars are rings, or far wider than air makes them. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { percent } from "./evidence.ts";
import { wideningOf, wideningStrength, widthEvidence } from "./wide_stars.ts";

function withStars(frame: StarMeasures): CauseFinding | null {
  if (wideningOf(frame) !== "defocus") return null;
  const { ring, quality } = frame;
  return {
    cause: "defocus",
    verdict: "reject",
    evidence: `${widthEvidence(frame)}${
      ring ? `, the middle of the mean star at ${percent(quality.centralLevel)} of its ring` : ""
    }`,
    strength: wideningStrength(frame),
  };
}

/** The rule. */
export const defocus: CauseRule = {
  cause: "defocus",
  remedy: "focus again before going on, and lock the focuser",
  withStars,
};
