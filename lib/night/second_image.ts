/** A second image of every star, told from one long trail. */
import type { FrameQuality } from "../measure/measure_frame.ts";
import type { Doubling } from "../stars/find_doubling.ts";
import { axisRatioOf, shapeOfEccentricity } from "./axis_ratio.ts";
import type { NightGroup } from "./night_group.ts";

/**
 * The second image of every star; null when there is none, or when the stars are one trail. Two images make a star
 * longer by no more than their distance explains: variance r/(1 + r)² d², with r the fainter over the brighter.
 */
export function secondImage(quality: FrameQuality, group: NightGroup): Doubling | null {
  const { doubling } = quality;
  if (doubling === null) return null;
  const { dx, dy, ratio } = doubling;
  const addedVariance = (dx * dx + dy * dy) * ratio / (1 + ratio) ** 2;
  // Far from each other either image is as narrow as stars ever are: wide ones are pieces of rings far out of focus.
  if (Math.hypot(dx, dy) > quality.fwhmPixels && quality.fwhmPixels > 2 * group.width.level) return null;
  const explained = Math.sqrt(1 + addedVariance / group.short.level ** 2);
  return axisRatioOf(shapeOfEccentricity(quality.eccentricity)) < 1.15 * explained ? doubling : null;
}
