/** Something solid stands before a part of the field: stars on one side are dim or gone. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { percent } from "./evidence.ts";

/** Flux of the whole frame over an open one's below which it is rejected (own). */
const minimumTransmission = 0.9;

function withStars({ obstruction }: StarMeasures): CauseFinding | null {
  if (obstruction === null) return null;
  const { degrees, dark, bright, transmission } = obstruction;
  return {
    cause: "something in the way",
    verdict: transmission < minimumTransmission ? "reject" : "down-weight",
    evidence: `stars towards ${Math.round(degrees)}° have ${percent(dark)} of their light, those opposite ${
      percent(bright)
    }`,
    strength: 0.85 / Math.max(0.1, dark),
  };
}

/** The rule. */
export const somethingInTheWay: CauseRule = {
  cause: "something in the way",
  remedy: "see what stands before the telescope and start later or stop sooner",
  withStars,
};
