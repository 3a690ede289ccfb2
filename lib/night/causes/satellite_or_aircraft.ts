/** A satellite or an aircraft crosses; rejection takes it out of the stack. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";

/** Directions that differ by less are one: an aircraft's lamps make several trails (own). */
const minimumSeparationDegrees = 4;

/** Significance of the faintest trail that is found. */
const trailSignificance = 9;

/** Angle between two directions, 0 … 90. */
const between = (a: number, b: number): number => Math.abs(((a - b) % 180 + 270) % 180 - 90);

function withStars({ quality, figures }: StarMeasures): CauseFinding | null {
  const directions = [...quality.trails.map((each) => each.degrees), ...figures.flashDegrees];
  if (directions.length === 0) return null;
  const apart = directions.filter((each, i) =>
    directions.slice(0, i).every((other) => between(each, other) > minimumSeparationDegrees)
  );
  const trails = apart.length === 1 ? "a trail" : `${apart.length} trails`;
  const cleaned = figures.cleaned ? "; width and shape are those of the stars that other frames show too" : "";
  return {
    cause: "satellite or aircraft",
    verdict: "keep",
    evidence: `${trails} at ${apart.map((each) => `${Math.round(each)}°`).join(", ")}${cleaned}`,
    strength: (quality.trails[0]?.significance ?? trailSignificance) / trailSignificance,
  };
}

/** The rule. */
export const satelliteOrAircraft: CauseRule = {
  cause: "satellite or aircraft",
  remedy: "none needed: rejection takes the trail out of the stack",
  withStars,
};
