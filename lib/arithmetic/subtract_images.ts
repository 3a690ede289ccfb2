/** The difference of two images, or of an image and a number. */
import { type Image, requireImage, type Unit } from "../core/image.ts";
import { addVariances, combineSamples, requireOneUnit, type Samples, type Term } from "./combine_samples.ts";

/**
 * Take an image or a number off every sample of an image.
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
 * import { constantImage, subtractImages } from "faintlight";
 *
 * const left = subtractImages(constantImage(2, 2, 7), constantImage(2, 2, 4));
 * assert.equal(left.planes[0].data[0], 3);
 * ```
 */
export function subtractImages(a: Image, b: Image | number): Image {
  requireImage("subtractImages", a, "a");
  return combineSamples(a, b, { step: "subtractImages", unit: unitOfSubtractImages, samples, variance: addVariances });
}

function unitOfSubtractImages(a: Image, b: Term): Unit {
  if (typeof b !== "number") requireOneUnit("subtractImages", a, b);
  return a.unit;
}

function samples(a: Float32Array, b: Samples, out: Float32Array): void {
  if (typeof b === "number") { for (let p = 0; p < out.length; p++) out[p] = a[p] - b; }
  else for (let p = 0; p < out.length; p++) out[p] = a[p] - b[p];
}
