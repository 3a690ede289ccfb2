/** Other names for channels, so that images of different filters meet in arithmetic. */
import { derive, type Image, planeOf, requireImage } from "../core/image.ts";

/**
 * Give channels of an image other names; what is not named keeps its own. No samples are copied.
 *
 * @param names new names by the present ones: `{ OIII: "reference" }`
 * @throws {TypeError} if the image has no such channel, or two would have one name
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, renameChannels } from "faintlight";
 *
 * assert.equal(renameChannels(constantImage(2, 2, 7), { L: "Ha" }).planes[0].channel, "Ha");
 * ```
 */
export function renameChannels(image: Image, names: Readonly<Record<string, string>>): Image {
  requireImage("renameChannels", image);
  for (const channel of Object.keys(names)) planeOf(image, channel);
  const planes = image.planes.map(({ channel, data }) => ({ channel: names[channel] ?? channel, data }));
  const taken = planes.map(({ channel }) => channel);
  const twice = taken.find((channel, at) => channel === "" || taken.indexOf(channel) !== at);
  if (twice !== undefined) {
    throw new TypeError(
      `renameChannels: each channel must have a name of its own, but got "${twice}" in ${taken.join(", ")}`,
    );
  }
  return derive(image, { planes }, { step: "renameChannels", options: { names: { ...names } } });
}
