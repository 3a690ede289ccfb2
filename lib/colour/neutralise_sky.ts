/** One level of the sky for all channels. */
import { type Image, requireLinear } from "../core/image.ts";
import { measureSky } from "../measure/sky_level.ts";
import { applyGains } from "./equalise_channels.ts";

/**
 * Make the sky neutral by subtraction: each channel is moved so that its sky lies at the mean of the channels' skies.
 * Nothing is multiplied, so that noise and colours of objects stay.
 *
 * In:  linear, gradient removed. Out: same shape and unit; NaN stays NaN; variance kept. Cost: thinned sorts and one
 * pass.
 *
 * @throws {TypeError} if the image is a stretched picture
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { neutraliseSky } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const planes = ["R", "G", "B"].map((channel, c) => ({ channel, data: new Float32Array(100).fill(10 * (c + 1)) }));
 * const even = neutraliseSky(createImage({ width: 10, height: 10, unit: "adu", planes }));
 * assert.deepEqual(even.planes.map((plane) => plane.data[0]), [20, 20, 20]);
 * ```
 */
export function neutraliseSky(image: Image): Image {
  requireLinear("neutraliseSky", image);
  const sky = measureSky(image).map((each) => each.level);
  const common = sky.reduce((sum, each) => sum + each, 0) / sky.length;
  const notes = [`sky: ${image.planes.map(({ channel }, c) => `${channel} ${sky[c].toPrecision(5)}`).join(", ")}`];
  return applyGains(image, { gains: sky.map(() => 1), sky, common }, { step: "neutraliseSky", options: {}, notes });
}
