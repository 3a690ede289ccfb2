/** Cloud takes flux and leaves the stars their width. */
import { type SkyMeasures, starCounts } from "../sky_measures.ts";
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { isDewOrHaze } from "./dew_or_haze.ts";
import { missingFlux } from "./missing_flux.ts";

/** Noise over the night's from which on the cloud is seen to be lit from below (own). */
const litNoiseRatio = 1.05;

function withoutStars({ starless, starlessEvidence, quality, group }: SkyMeasures): CauseFinding | null {
  if (starless === "incomparable") {
    return {
      cause: "cloud",
      or: "lens cap or shutter closed",
      verdict: "reject",
      evidence: `${starCounts(quality, group)}; no frame of this filter shows stars to compare with`,
      strength: 1.2,
    };
  }
  return starless === "covered" ? { cause: "cloud", verdict: "reject", evidence: starlessEvidence, strength: 2 } : null;
}

function withStars(frame: StarMeasures): CauseFinding | null {
  if (!frame.dimmed || isDewOrHaze(frame)) return null;
  const { verdict, evidence, strength } = missingFlux(frame);
  return {
    cause: "cloud",
    verdict,
    evidence: `${evidence}${frame.noiseRatio > litNoiseRatio ? ": lit from below" : ""}`,
    strength,
  };
}

/** The rule. */
export const cloud: CauseRule = {
  cause: "cloud",
  remedy: "wait for clear sky; keep what was taken before and after",
  withoutStars,
  withStars,
};
