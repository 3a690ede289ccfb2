/** Growth of the sky with airmass, so that a target that sets is not taken for a night that brightens. */
import { median } from "../stats/median.ts";
import { robustLine } from "../stats/robust_fit.ts";
import type { NightRow } from "./night_row.ts";

/** Sky at an airmass over that at the night's median airmass; 1 where either is not known. */
export type AirGlow = (airmass: number | null | undefined) => number;

/** Stars from which on a frame's sky counts. */
const minimumStars = 12;

/** Frames, and span of airmass, from which on the growth is fitted. */
const minimumFrames = 8;
const minimumSpan = 0.15;

/**
 * Fastest growth of ln(sky) that counts as the air's, for one unit of airmass, so that a moon that rises while the
 * target sets does not pass for air: the layer that glows is 1.4 times as deep at 45° as overhead, a town's light grows
 * faster (own).
 */
const maximumGrowth = 0.6;

/** Fit ln(sky) = a + s X, robust over the frames with stars, 0 ≤ s ≤ {@linkcode maximumGrowth}. */
export function fitAirGlow(rows: readonly NightRow[]): AirGlow {
  const airmasses: number[] = [];
  const skies: number[] = [];
  for (const { record, quality, darkLevel } of rows) {
    const sky = (quality?.background ?? NaN) - (darkLevel ?? NaN);
    const airmass = record.airmass ?? NaN;
    if (!(sky > 0 && airmass >= 1 && (quality?.starCount ?? 0) >= minimumStars)) continue;
    airmasses.push(airmass);
    skies.push(Math.log(sky));
  }
  const span = Math.max(...airmasses) - Math.min(...airmasses);
  if (airmasses.length < minimumFrames || span < minimumSpan) return () => 1;
  const slope = Math.min(maximumGrowth, Math.max(0, robustLine(airmasses, skies).slope));
  const usual = median(airmasses);
  return (airmass) => slope > 0 && (airmass ?? 0) >= 1 ? Math.exp(slope * ((airmass ?? usual) - usual)) : 1;
}
