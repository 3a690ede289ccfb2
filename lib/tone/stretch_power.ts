/** A power as a stretch. */
import { derive, type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { powerCurve } from "./curve.ts";
import { requireStretchLevels, type StretchLevels } from "./stretch.ts";
import { stretchPlanes } from "./stretch_planes.ts";

/** Options of {@linkcode stretchPower}. Levels are in the unit of the input. */
export interface StretchPowerOptions extends StretchLevels {
  /**
   * Power of t; below 1 brightens; > 0. Below 1 the slope at black is infinite, so black should lie under the noise.
   */
  readonly exponent: number;
}

/** What {@linkcode stretchPower} uses for an option left out: full scale of 16 bits, colour kept everywhere. */
export const stretchPowerDefaults: Readonly<StretchPowerOptions> = Object.freeze({
  black: 0,
  white: 65535,
  exponent: 0.5, // the square root, which makes photon noise even (Bartlett 1936)
  colour: "kept",
  greyBelow: 0,
  colourAbove: 0,
});

/**
 * Squeeze a linear image into the display range with a power.
 *
 *     y = t^exponent,  t = (x − black) / (white − black)
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
 * @example The square root of a quarter
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, stretchPower } from "faintlight";
 *
 * const grey = stretchPower(constantImage(1, 1, 25), { white: 100, exponent: 0.5 });
 * assert.ok(Math.abs(grey.planes[0].data[0] - 0.5) < 1e-7);
 * ```
 */
export function stretchPower(image: Image, options: Partial<StretchPowerOptions> = {}): Image {
  const used = settle("stretchPower", stretchPowerDefaults, options);
  requireLinear("stretchPower", image);
  requireStretchLevels("stretchPower", used);
  const planes = stretchPlanes(image, powerCurve(used.exponent), used);
  return derive(image, { planes, unit: "display", variance: null }, { step: "stretchPower", options: used });
}
