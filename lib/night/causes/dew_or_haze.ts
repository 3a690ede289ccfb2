/** Drops on glass, and haze, take flux and scatter it about the stars. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { percent, pixels } from "./evidence.ts";
import { missingFlux } from "./missing_flux.ts";

/** Growth of the share of flux in halos that counts, and its scatter over the night that it must exceed (own). */
const minimumHaloGrowth = 0.05;
const haloScatters = 4;

/**
 * Growth of the width, apart from a trail: with a halo, and without one, where it must exceed the night's scatter
 * (own).
 */
const minimumGrowthWithHalo = 1.12;
const minimumGrowth = 1.17;
const widthScatters = 3;

/** Neither dew nor haze makes stars twice as wide, nor a ring of them (own). */
const maximumGrowth = 2.1;

/** Whether a star's flux lies in a halo that the night does not have. */
function hasHalo({ round, quality, group }: StarMeasures): boolean {
  const growth = quality.haloShare - group.halo.level;
  return round && growth > Math.max(minimumHaloGrowth, haloScatters * group.halo.scatter);
}

/** Whether the flux that a frame has lost is scattered about its stars. */
export function isDewOrHaze(frame: StarMeasures): boolean {
  const { dimmed, ring, growth, double, group } = frame;
  if (!dimmed || ring || !(growth < maximumGrowth) || double !== null) return false;
  const wider = growth > minimumGrowth &&
    growth * group.width.level > group.width.level + widthScatters * group.width.scatter;
  return wider || (hasHalo(frame) && growth > minimumGrowthWithHalo);
}

function withStars(frame: StarMeasures): CauseFinding | null {
  if (!isDewOrHaze(frame)) return null;
  const { quality, group, figures } = frame;
  const { verdict, evidence, strength } = missingFlux(frame);
  const halo = hasHalo(frame)
    ? `${percent(quality.haloShare)} of the light in halos (night ${percent(group.halo.level)}), `
    : "";
  return {
    cause: "dew or haze",
    verdict,
    evidence: `${evidence}, ${halo}FWHM ${pixels(figures.fwhm)} (night ${pixels(group.width.level)})`,
    strength,
  };
}

/** The rule. */
export const dewOrHaze: CauseRule = {
  cause: "dew or haze",
  remedy: "heat the optics before dew falls and use a dew shield; wait while there is haze",
  withStars,
};
