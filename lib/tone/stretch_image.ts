/** A linear image as a picture, through any curve. */
import { derive, type Image, requireLinear } from "../core/image.ts";
import { automaticStretch } from "./automatic_stretch.ts";
import { type Stretch, type StretchSettings, stretchSettings } from "./stretch.ts";
import { stretchPlanes } from "./stretch_planes.ts";

/**
 * Squeeze a linear image into the display range.
 *
 * In:  every plane, height × width, linear, any linear unit. Out: same shape, unit "display", 0 … 1; black goes to 0
 * and white to 1, what lies outside is clamped. With `colour: "kept"` and several planes the curve acts on their mean
 * I and each plane follows with the ratio f(I) / I (Lupton et al. 2004, PASP 116, 133); a channel that would leave 0 …
 * 1 pulls all towards their mean, so hue stays. Between `greyBelow` and `colourAbove` the ratio is faded in, from the
 * local slope of the curve. NaN (no data) stays NaN; with colour kept, a pixel is NaN when one of its channels is.
 * Mask and coverage are kept, the variance is dropped: it has no meaning on a bent scale. Cost: one pass, and for
 * "automatic" the measures of {@linkcode automaticStretch}.
 *
 * @param stretch "automatic", a stretch that was found, or curve and levels by hand; what is left out by hand is taken
 *   as `asinhCurve(1000)`, black 0, white 65535, colour kept everywhere
 * @throws {TypeError} if the image is already a stretched picture, or the stretch holds something unknown
 * @throws {RangeError} if a level or a parameter of the curve is out of range
 *
 * @example Found, looked at, changed by hand
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, logCurve, stretchImage } from "faintlight";
 *
 * const picture = stretchImage(constantImage(1, 1, 50), { curve: logCurve(1000), black: 0, white: 100 });
 * assert.ok(Math.abs(picture.planes[0].data[0] - 0.8998158) < 1e-6);
 * ```
 */
export function stretchImage(image: Image, stretch: "automatic" | Stretch | Partial<StretchSettings>): Image {
  requireLinear("stretchImage", image);
  const used = stretchSettings("stretchImage", stretch === "automatic" ? automaticStretch(image) : stretch);
  const planes = stretchPlanes(image, used.curve, used);
  return derive(image, { planes, unit: "display", variance: null }, { step: "stretchImage", options: used });
}
