/** Images of one field, taken through different filters, as the planes of one image. */
import { derive, type Image, requireSameSize } from "../core/image.ts";

/**
 * Put the planes of registered images into one image, in the order given. Size, header, geometry and mask come from the
 * first; a variance is carried when all have one.
 *
 * In:  images of one size and unit, each channel once. Out: one image with all planes. No copy of samples is made.
 *
 * @throws {RangeError} if there is no image, or sizes differ
 * @throws {TypeError} if units differ or a channel occurs twice
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, joinChannels } from "faintlight";
 *
 * const both = joinChannels([
 *   constantImage(2, 2, 7, { channels: ["Ha"] }),
 *   constantImage(2, 2, 3, { channels: ["OIII"] }),
 * ]);
 * assert.deepEqual(both.planes.map((plane) => plane.channel), ["Ha", "OIII"]);
 * ```
 */
export function joinChannels(images: readonly Image[]): Image {
  if (images.length === 0) throw new RangeError("joinChannels: images must be at least one, but got none");
  requireSameSize("joinChannels", ...images);
  const names = new Set<string>();
  for (const image of images) {
    if (image.unit !== images[0].unit) {
      throw new TypeError(`joinChannels: images must have one unit, but got "${images[0].unit}" and "${image.unit}"`);
    }
    for (const { channel } of image.planes) {
      if (names.has(channel)) {
        throw new TypeError(`joinChannels: each channel must occur once, but got "${channel}" twice`);
      }
      names.add(channel);
    }
  }
  const [first, ...rest] = images;
  const planes = images.flatMap((image) => image.planes);
  const variance = images.every((image) => image.variance !== null)
    ? images.flatMap((image) => image.variance as readonly Float32Array[])
    : null;
  return derive([first, ...rest], { planes, variance }, {
    step: "joinChannels",
    options: { channels: planes.map((plane) => plane.channel) },
  });
}
