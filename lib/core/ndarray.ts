/** The way in and out for ndarray values: shape [height, width], no copy on the way out. */
// @ts-types="npm:@types/ndarray@1.1.0"
import ndarray, { type NdArray } from "ndarray";
import { allocatePlane, createImage, type Image, planeOf, type Unit } from "./image.ts";

/**
 * One channel as an ndarray of shape [height, width] over the same memory. Do not write to it: images are immutable.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, ndarrayOf } from "faintlight";
 *
 * const view = ndarrayOf(constantImage(3, 2, 7), "L");
 * assert.deepEqual(view.shape, [2, 3]);
 * assert.equal(view.get(1, 2), 7);
 * ```
 */
export function ndarrayOf(image: Image, channel: string): NdArray<Float32Array> {
  return ndarray(planeOf(image, channel).data, [image.height, image.width]);
}

/**
 * An image from ndarrays of shape [height, width], one a channel. Samples are copied to float32.
 *
 * @param arrays ndarrays by channel name
 * @param unit what a sample counts; asked for, because an array cannot say
 * @throws {RangeError} if an array is not two-dimensional or the shapes differ
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import ndarray from "ndarray";
 * import { imageFromNdarray } from "faintlight";
 *
 * const image = imageFromNdarray({ L: ndarray([1, 2, 3, 4, 5, 6], [2, 3]) }, "adu");
 * assert.equal(image.width, 3);
 * assert.equal(image.planes[0].data[4], 5);
 * ```
 */
export function imageFromNdarray(arrays: Readonly<Record<string, NdArray>>, unit: Unit): Image {
  const entries = Object.entries(arrays);
  if (entries.length === 0) {
    throw new RangeError("imageFromNdarray: arrays must name at least one channel, but got none");
  }
  const [height, width] = entries[0][1].shape;
  const planes = entries.map(([channel, array]) => {
    if (array.shape.length !== 2 || array.shape[0] !== height || array.shape[1] !== width) {
      throw new RangeError(
        `imageFromNdarray: channel "${channel}" must have shape ${height} × ${width}, but got ${
          array.shape.join(" × ")
        }`,
      );
    }
    const data = allocatePlane(width, height);
    for (let y = 0, at = 0; y < height; y++) for (let x = 0; x < width; x++) data[at++] = Number(array.get(y, x));
    return { channel, data };
  });
  return createImage({ width, height, planes, unit }, { step: "imageFromNdarray", options: { unit } });
}
