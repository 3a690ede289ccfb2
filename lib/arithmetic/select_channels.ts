/** Some channels of an image. */
import { derive, type Image, planeOf, requireImage } from "../core/image.ts";

/**
 * Keep some channels of an image, in the order given, with their variances. No samples are copied.
 *
 * @param names one channel or several
 * @throws {TypeError} if the image has no such channel, or one is named twice; the message lists those it has
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, selectChannels } from "faintlight";
 *
 * const colour = constantImage(2, 2, 7, { channels: ["R", "G", "B"] });
 * assert.deepEqual(selectChannels(colour, ["B", "R"]).planes.map(({ channel }) => channel), ["B", "R"]);
 * ```
 */
export function selectChannels(image: Image, names: string | readonly string[]): Image {
  requireImage("selectChannels", image);
  const channels = typeof names === "string" ? [names] : names;
  if (channels.length === 0) throw new TypeError("selectChannels: names must hold at least one channel, but got none");
  if (new Set(channels).size < channels.length) {
    throw new TypeError(`selectChannels: each channel must be named once, but got ${channels.join(", ")}`);
  }
  const planes = channels.map((channel) => planeOf(image, channel));
  const at = planes.map((plane) => image.planes.indexOf(plane));
  const variance = image.variance === null
    ? null
    : at.map((plane) => (image.variance as readonly Float32Array[])[plane]);
  return derive(image, { planes, variance }, { step: "selectChannels", options: { names: channels } });
}
