/** The field turned during the exposure: stars trail round a centre. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { pixels } from "./evidence.ts";

/** Trail over the FWHM from which on a frame is rejected (own). */
const rejectTrail = 1.5;

function withStars({ double, trail, quality, group }: StarMeasures): CauseFinding | null {
  if (double !== null || trail === null) return null;
  const { rotation: { centre, degrees }, cornerPixels } = trail;
  const place = `(${Math.round(centre.x)}, ${Math.round(centre.y)})`;
  return {
    cause: "field rotation",
    verdict: cornerPixels > rejectTrail * quality.fwhmPixels ? "reject" : "down-weight",
    evidence: `stars trail round ${place} by ${degrees.toFixed(3)}°, ${pixels(cornerPixels)} in the corner`,
    strength: cornerPixels / (0.7 * group.width.level),
  };
}

/** The rule. */
export const fieldRotation: CauseRule = {
  cause: "field rotation",
  remedy: "shorten the exposure, or align the polar axis; on an alt-azimuth mount stay away from the zenith",
  withStars,
};
