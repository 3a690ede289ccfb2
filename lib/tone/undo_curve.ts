/** Back from a tone curve on a finished picture. */
import type { Image } from "../core/image.ts";
import { type ApplyCurveOptions, throughCurve } from "./apply_curve.ts";
import type { CurveParameters } from "./curve.ts";

/**
 * Take a tone curve off a picture, given as it was laid on.
 *
 * In:  unit "display". Out: same shape and unit, 0 … 1. Exact to float32 where the curve rises strictly and nothing
 * had to be held to the range of the screen; what a flat part of the curve has made one cannot be parted again. NaN
 * stays NaN. Cost: that of `applyCurve`, with a table for splines, which have no closed inverse.
 *
 * @throws {TypeError} if the image is linear, or chroma is asked of an image that has not three planes
 * @throws {RangeError} if the curve is none
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { applyCurve, constantImage, powerCurve, undoCurve } from "faintlight";
 *
 * const grey = constantImage(1, 1, 0.25, { unit: "display" }), curve = powerCurve(0.7);
 * assert.ok(Math.abs(undoCurve(applyCurve(grey, curve), curve).planes[0].data[0] - 0.25) < 1e-6);
 * ```
 */
export function undoCurve(image: Image, curve: CurveParameters, options: Partial<ApplyCurveOptions> = {}): Image {
  return throughCurve("undoCurve", image, curve, options);
}
