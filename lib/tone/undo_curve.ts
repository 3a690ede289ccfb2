/** Back from a tone curve on a finished picture. */
import { derive, type Image, requireDisplay } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { applyCurveDefaults, type ApplyCurveOptions, curveOnChroma } from "./apply_curve.ts";
import { undrawPlanes } from "./draw.ts";

/**
 * Take a tone curve off a picture, with the options it was laid on with.
 *
 * In:  unit "display". Out: same shape and unit, 0 … 1. Exact to float32 where the curve rises strictly and nothing had to be
 * held to the range of the screen; what a flat part of the curve has made one cannot be parted again. NaN stays NaN. Cost:
 * that of `applyCurve`, with a table for splines, which have no closed inverse.
 *
 * @throws {TypeError} if the image is linear, or chroma is asked of an image that has not three planes
 * @throws {RangeError} if the curve is none
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { applyCurve, constantImage, undoCurve } from "faintlight";
 *
 * const grey = constantImage(1, 1, 0.25, { unit: "display" }), curve = { kind: "power", exponent: 0.7 } as const;
 * assert.ok(Math.abs(undoCurve(applyCurve(grey, { curve }), { curve }).planes[0].data[0] - 0.25) < 1e-6);
 * ```
 */
export function undoCurve(image: Image, options: Partial<ApplyCurveOptions> = {}): Image {
  const used = settle("undoCurve", applyCurveDefaults, options);
  requireDisplay("undoCurve", image);
  const entry = { step: "undoCurve", options: used };
  if (used.on === "chroma") {
    if (image.planes.length !== 3) {
      throw new TypeError(`undoCurve: a curve on chroma must have R, G, B, but got ${image.planes.length} planes`);
    }
    return derive(image, { planes: curveOnChroma(image, used.curve, true) }, entry);
  }
  if (used.on !== "luminance" && used.on !== "channels") {
    throw new RangeError(
      `undoCurve: on must be "luminance", "channels" or "chroma", but got ${JSON.stringify(used.on)}`,
    );
  }
  const colour = used.on === "luminance" ? "kept" as const : "channels" as const;
  const planes = undrawPlanes(image, used.curve, { black: 0, white: 1, colour, greyBelow: 0, colourAbove: 0 });
  return derive(image, { planes }, entry);
}
