/** A sky that is brighter than the night's while no flux is missing: twilight or the moon, told by how much. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import { percent } from "./evidence.ts";
import { isTooLight } from "./missing_flux.ts";

/** Noise, or sky, over the night's from which on the sky is bright (own). */
const minimumNoiseRatio = 1.35;
const minimumSkyRatio = 2;

/** Noise, or sky, over the night's from which on twilight is likelier than the moon (own). */
const twilightNoiseRatio = 1.7;
const twilightSkyRatio = 3;

/** The cause that fits better; null where the sky is not bright. */
export function brightSky({ dimmed, noiseRatio, skyRatio, quality, group }: StarMeasures) {
  const bright = (noiseRatio > minimumNoiseRatio || skyRatio > minimumSkyRatio) &&
    quality.background > group.background.level;
  if (dimmed || !bright) return null;
  return noiseRatio > twilightNoiseRatio || skyRatio > twilightSkyRatio ? "twilight" : "moonlight";
}

/** Verdict, numbers and strength of a bright sky. */
export function brightSkyFinding(frame: StarMeasures): Pick<CauseFinding, "verdict" | "evidence" | "strength"> {
  const { skyEvidence, noiseRatio, fluxRatio, relativeWeight } = frame;
  const stars = `stars as bright as ever (transparency ${percent(fluxRatio)})`;
  return {
    verdict: isTooLight(frame) ? "reject" : "down-weight",
    evidence: `${skyEvidence}, noise ${percent(noiseRatio)} of the night's, ${stars}: worth ${
      percent(relativeWeight)
    } of a clear frame`,
    strength: noiseRatio / minimumNoiseRatio,
  };
}
