/** A ratio of linear functions as a stretch. */
import { derive, type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { rationalCurve } from "./curve.ts";
import { requireStretchLevels, type StretchLevels } from "./stretch.ts";
import { stretchPlanes } from "./stretch_planes.ts";

/** Options of {@linkcode stretchRational}. Levels are in the unit of the input. */
export interface StretchRationalOptions extends StretchLevels {
  /** Where the middle of black … white is drawn; above ½ brightens; inside 0 … 1. */
  readonly bias: number;
}

/** What {@linkcode stretchRational} uses for an option left out: full scale of 16 bits, colour kept everywhere. */
export const stretchRationalDefaults: Readonly<StretchRationalOptions> = Object.freeze({
  black: 0,
  white: 65535,
  bias: 0.5, // no change: what is lifted is for the caller to say, see curveThrough
  colour: "kept",
  greyBelow: 0,
  colourAbove: 0,
});

/**
 * Squeeze a linear image into the display range with a ratio of two linear functions: the cheapest curve, and two of
 * them after one another are again one, because the odds y / (1 − y) are only multiplied.
 *
 *     y = t / ((1/bias − 2)(1 − t) + 1),  t = (x − black) / (white − black)
 *
 * Curve from Schlick 1994, Graphics Gems IV, 401.
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
 * @example The middle goes to the bias
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, stretchRational } from "faintlight";
 *
 * const grey = stretchRational(constantImage(1, 1, 50), { white: 100, bias: 0.75 });
 * assert.equal(grey.planes[0].data[0], 0.75);
 * ```
 */
export function stretchRational(image: Image, options: Partial<StretchRationalOptions> = {}): Image {
  const used = settle("stretchRational", stretchRationalDefaults, options);
  requireLinear("stretchRational", image);
  requireStretchLevels("stretchRational", used);
  const planes = stretchPlanes(image, rationalCurve(used.bias), used);
  return derive(image, { planes, unit: "display", variance: null }, { step: "stretchRational", options: used });
}
