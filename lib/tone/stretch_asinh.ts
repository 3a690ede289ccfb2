/** The inverse hyperbolic sine as a stretch. */
import { derive, type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { asinhCurve } from "./curve.ts";
import { requireStretchLevels, type StretchLevels } from "./stretch.ts";
import { stretchPlanes } from "./stretch_planes.ts";

/** Options of {@linkcode stretchAsinh}. Levels are in the unit of the input. */
export interface StretchAsinhOptions extends StretchLevels {
  /** How strongly the curve bends, for black … white taken as 0 … 1: linear below 1 / bend, logarithmic above; > 0. */
  readonly bend: number;
}

/** What {@linkcode stretchAsinh} uses for an option left out: full scale of 16 bits, colour kept everywhere. */
export const stretchAsinhDefaults: Readonly<StretchAsinhOptions> = Object.freeze({
  black: 0,
  white: 65535,
  bend: 1000, // a bend at 1/1000 of the range; automaticStretch derives it from the sky
  colour: "kept",
  greyBelow: 0,
  colourAbove: 0,
});

/**
 * Squeeze a linear image into the display range, opening up the faint end without clipping the bright one.
 *
 *     y = asinh(bend · t) / asinh(bend),  t = (x − black) / (white − black)
 *
 * Curve from Lupton, Gunn & Szalay 1999, AJ 118, 1406 (there for magnitudes).
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
 * @example The end points are exact, the colour stays
 * ```ts
 * import assert from "node:assert/strict";
 * import { stretchAsinh } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const planes = ["R", "G", "B"].map((channel, i) => ({ channel, data: Float32Array.of(0, [30, 20, 10][i], 100) }));
 * const image = createImage({ width: 3, height: 1, unit: "adu", planes });
 * const [r, g, b] = stretchAsinh(image, { white: 100, bend: 50 }).planes.map((plane) => plane.data);
 * assert.deepEqual([r[0], r[2]], [0, 1]);
 * assert.ok(Math.abs(r[1] / b[1] - 3) < 1e-6 && Math.abs(g[1] / b[1] - 2) < 1e-6);
 * ```
 */
export function stretchAsinh(image: Image, options: Partial<StretchAsinhOptions> = {}): Image {
  const used = settle("stretchAsinh", stretchAsinhDefaults, options);
  requireLinear("stretchAsinh", image);
  requireStretchLevels("stretchAsinh", used);
  const planes = stretchPlanes(image, asinhCurve(used.bend), used);
  return derive(image, { planes, unit: "display", variance: null }, { step: "stretchAsinh", options: used });
}
