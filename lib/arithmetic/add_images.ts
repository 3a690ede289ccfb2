/** The sum of two images, or of an image and a number. */
import { type Image, requireImage, type Unit } from "../core/image.ts";
import { addVariances, combineSamples, requireOneUnit, type Samples, type Term } from "./combine_samples.ts";

/**
 * Add an image or a number to every sample of an image.
 *
 * NaN stays NaN in either image, masks join, variances add. Channels pair by name; the only channel of `b` serves all
 * of `a`. Cost: one pass.
 *
 * @param b image of the same unit and size, or a number in the unit of `a`
 * @throws {TypeError} if units or channels differ
 * @throws {RangeError} if sizes differ or the number is not finite
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { addImages, constantImage } from "faintlight";
 *
 * const sum = addImages(constantImage(2, 2, 3), constantImage(2, 2, 4));
 * assert.equal(sum.planes[0].data[0], 7);
 * assert.equal(addImages(sum, 10).planes[0].data[3], 17);
 * ```
 */
export function addImages(a: Image, b: Image | number): Image {
  requireImage("addImages", a, "a");
  return combineSamples(a, b, { step: "addImages", unit: unitOfAddImages, samples, variance: addVariances });
}

function unitOfAddImages(a: Image, b: Term): Unit {
  if (typeof b !== "number") requireOneUnit("addImages", a, b);
  return a.unit;
}

function samples(a: Float32Array, b: Samples, out: Float32Array): void {
  if (typeof b === "number") { for (let p = 0; p < out.length; p++) out[p] = a[p] + b; }
  else for (let p = 0; p < out.length; p++) out[p] = a[p] + b[p];
}
