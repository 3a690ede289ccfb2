/** A logistic curve as a stretch. */
import { derive, type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { sigmoidCurve } from "./curve.ts";
import { requireStretchLevels, type StretchLevels } from "./stretch.ts";
import { stretchPlanes } from "./stretch_planes.ts";

/** Options of {@linkcode stretchSigmoid}. Levels are in the unit of the input. */
export interface StretchSigmoidOptions extends StretchLevels {
  /** Steepness; > 0. */
  readonly contrast: number;
  /** Where it is steepest, 0 … 1 between black and white. */
  readonly centre: number;
}

/** What {@linkcode stretchSigmoid} uses for an option left out: full scale of 16 bits, colour kept everywhere. */
export const stretchSigmoidDefaults: Readonly<StretchSigmoidOptions> = Object.freeze({
  black: 0,
  white: 65535,
  contrast: 6, // covers 5 % to 95 % of the logistic function
  centre: 0.5,
  colour: "kept",
  greyBelow: 0,
  colourAbove: 0,
});

/**
 * Raise the contrast about one level and flatten both ends.
 *
 *     y = (s(t) − s(0)) / (s(1) − s(0)),  s(t) = 1 / (1 + exp(−contrast (t − centre)))
 *
 * In:  every plane, height × width, linear, any linear unit. Out: same shape, unit "display", 0 … 1; black goes to 0
 * and white to 1, what lies outside is clamped. With `colour: "kept"` and several planes the curve acts on their mean
 * I and each plane follows with the ratio f(I) / I (Lupton et al. 2004, PASP 116, 133); a channel that would leave 0 …
 * 1 pulls all towards their mean, so hue stays. Between `greyBelow` and `colourAbove` the ratio is faded in, from the
 * local slope of the curve. NaN (no data) stays NaN; with colour kept, a pixel is NaN when one of its channels is.
 * Mask and coverage are kept, the variance is dropped: it has no meaning on a bent scale. Cost: one pass.
 *
 * @throws {TypeError} if the image is already a stretched picture
 * @throws {RangeError} if an option is out of range
 *
 * @example Symmetric about its centre
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, stretchSigmoid } from "faintlight";
 *
 * const at = (level: number) => stretchSigmoid(constantImage(1, 1, level), { white: 100 }).planes[0].data[0];
 * assert.equal(at(50), 0.5);
 * assert.ok(Math.abs(at(30) + at(70) - 1) < 1e-6);
 * ```
 */
export function stretchSigmoid(image: Image, options: Partial<StretchSigmoidOptions> = {}): Image {
  const used = settle("stretchSigmoid", stretchSigmoidDefaults, options);
  requireLinear("stretchSigmoid", image);
  requireStretchLevels("stretchSigmoid", used);
  const planes = stretchPlanes(image, sigmoidCurve(used.contrast, used.centre), used);
  return derive(image, { planes, unit: "display", variance: null }, { step: "stretchSigmoid", options: used });
}
