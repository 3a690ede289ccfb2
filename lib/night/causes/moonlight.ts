/** The moon brightens the sky. */
import type { StarMeasures } from "../star_measures.ts";
import { brightSky, brightSkyFinding } from "./bright_sky.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";

const withStars = (frame: StarMeasures): CauseFinding | null =>
  brightSky(frame) === "moonlight" ? { cause: "moonlight", or: "twilight", ...brightSkyFinding(frame) } : null;

/** The rule. */
export const moonlight: CauseRule = {
  cause: "moonlight",
  remedy: "shoot narrowband, or further from the moon",
  withStars,
};
