/** The sun near the horizon brightens the sky. */
import type { SkyMeasures } from "../sky_measures.ts";
import type { StarMeasures } from "../star_measures.ts";
import { brightSky, brightSkyFinding } from "./bright_sky.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";

function withoutStars({ starless, starlessEvidence }: SkyMeasures): CauseFinding | null {
  return starless === "bright"
    ? { cause: "twilight", or: "cloud", verdict: "reject", evidence: starlessEvidence, strength: 2 }
    : null;
}

const withStars = (frame: StarMeasures): CauseFinding | null =>
  brightSky(frame) === "twilight" ? { cause: "twilight", or: "moonlight", ...brightSkyFinding(frame) } : null;

/** The rule. */
export const twilight: CauseRule = {
  cause: "twilight",
  remedy: "start once evening twilight has ended and stop before the morning's begins (sun 18° below the horizon)",
  withoutStars,
  withStars,
};
