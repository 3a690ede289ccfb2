/** What a frame that has lost flux is worth, whatever took it. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import { percent } from "./evidence.ts";

/** Whether a frame's weight is below that of one with the largest noise allowed. */
export const isTooLight = ({ relativeWeight, options }: StarMeasures): boolean =>
  relativeWeight < options.rejectNoise ** -2;

/** Verdict, numbers and strength for cloud, dew and haze alike. */
export function missingFlux(frame: StarMeasures): Pick<CauseFinding, "verdict" | "evidence" | "strength"> {
  const { fluxRatio, transparency, skyEvidence, options } = frame;
  return {
    verdict: fluxRatio < options.rejectTransparency || isTooLight(frame) ? "reject" : "down-weight",
    evidence: `transparency ${percent(fluxRatio)} (${transparency.stars} ${transparency.method} stars), ${skyEvidence}`,
    strength: 0.85 / Math.max(0.05, fluxRatio),
  };
}
