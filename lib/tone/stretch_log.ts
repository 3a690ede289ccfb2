/** The logarithm as a stretch. */
import { derive, type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { logCurve } from "./curve.ts";
import { requireStretchLevels, type StretchLevels } from "./stretch.ts";
import { stretchPlanes } from "./stretch_planes.ts";

/** Options of {@linkcode stretchLog}. Levels are in the unit of the input. */
export interface StretchLogOptions extends StretchLevels {
  /** How strongly the curve bends, for black … white taken as 0 … 1; > 0. */
  readonly bend: number;
}

/** What {@linkcode stretchLog} uses for an option left out: full scale of 16 bits, colour kept everywhere. */
export const stretchLogDefaults: Readonly<StretchLogOptions> = Object.freeze({
  black: 0,
  white: 65535,
  bend: 1000, // a bend at 1/1000 of the range
  colour: "kept",
  greyBelow: 0,
  colourAbove: 0,
});

/**
 * Squeeze a linear image into the display range with a logarithm.
 *
 *     y = ln(1 + bend · t) / ln(1 + bend),  t = (x − black) / (white − black)
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
 * @example The middle is where the formula says
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, stretchLog } from "faintlight";
 *
 * const grey = stretchLog(constantImage(1, 1, 50), { white: 100, bend: 1000 });
 * assert.ok(Math.abs(grey.planes[0].data[0] - 0.8998158) < 1e-6);
 * ```
 */
export function stretchLog(image: Image, options: Partial<StretchLogOptions> = {}): Image {
  const used = settle("stretchLog", stretchLogDefaults, options);
  requireLinear("stretchLog", image);
  requireStretchLevels("stretchLog", used);
  const planes = stretchPlanes(image, logCurve(used.bend), used);
  return derive(image, { planes, unit: "display", variance: null }, { step: "stretchLog", options: used });
}
