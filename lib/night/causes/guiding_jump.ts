/** Guiding jumped once: every star is double. */
import type { StarMeasures } from "../star_measures.ts";
import type { CauseFinding } from "./cause.ts";
import type { CauseRule } from "./cause_rule.ts";
import { percent, pixels } from "./evidence.ts";

/**
 * A gust that strikes once leaves a second image too: a faint one, below this flux ratio, and it shakes what stands
 * still, so that stars grow by more than this across (own).
 */
const gustFluxRatio = 0.3;
const gustGrowth = 1.25;

function withStars({ double, shortGrowth }: StarMeasures): CauseFinding | null {
  if (double === null) return null;
  const length = Math.hypot(double.dx, double.dy);
  return {
    cause: "guiding jump",
    or: double.ratio < gustFluxRatio || shortGrowth > gustGrowth ? "wind shake" : undefined,
    verdict: "reject",
    evidence: `${percent(double.share)} of the stars are double, ${pixels(length)} apart, the fainter with ${
      percent(double.ratio)
    } of the light`,
    strength: 3,
  };
}

/** The rule. */
export const guidingJump: CauseRule = {
  cause: "guiding jump",
  remedy: "wait for guiding to settle after a dither, secure cables, check backlash",
  withStars,
};
