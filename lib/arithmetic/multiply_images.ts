/** The product of an image and something without unit. */
import { type Image, requireImage, type Unit } from "../core/image.ts";
import { combineSamples, isDimensionless, type Operand, type Samples, type Term } from "./combine_samples.ts";

/**
 * Multiply every sample of an image by a number, a mask, a flat or a ratio.
 *
 * NaN stays NaN in either image, masks join, variances follow the product. Channels pair by name; the only channel of
 * `b` serves all of `a`. Cost: one pass.
 *
 * @param b number, or an image without unit: unit "ratio", a mask of one plane, a flat; or `a` is one
 * @throws {TypeError} if both have a unit, or channels differ
 * @throws {RangeError} if sizes differ or the number is not finite
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, multiplyImages } from "faintlight";
 *
 * const half = constantImage(2, 2, 0.5, { unit: "ratio" });
 * assert.equal(multiplyImages(constantImage(2, 2, 8), half).planes[0].data[0], 4);
 * assert.throws(() => multiplyImages(constantImage(2, 2, 8), constantImage(2, 2, 8)), /one factor must be a number/);
 * ```
 */
export function multiplyImages(a: Image, b: Image | number): Image {
  requireImage("multiplyImages", a, "a");
  return combineSamples(a, b, {
    step: "multiplyImages",
    unit: unitOfMultiplyImages,
    samples,
    variance: productVariance,
  });
}

function unitOfMultiplyImages(a: Image, b: Term): Unit {
  if (typeof b === "number" || isDimensionless(b)) return a.unit;
  if (isDimensionless(a)) return b.unit;
  throw new TypeError(
    `multiplyImages: one factor must be a number, a mask, a flat or a ratio, but got units "${a.unit}" and ` +
      `"${b.unit}"; divide one by its level first`,
  );
}

/** First-order propagation for independent factors: var(ab) = b² var(a) + a² var(b). */
function productVariance(a: Operand<Float32Array>, b: Operand<Samples>, out: Float32Array): void {
  const first = a.variance as Float32Array;
  const factor = b.samples;
  const second = b.variance;
  if (typeof factor === "number") {
    for (let p = 0; p < out.length; p++) out[p] = first[p] * factor * factor;
    return;
  }
  const other = second as Float32Array;
  for (let p = 0; p < out.length; p++) {
    out[p] = first[p] * factor[p] * factor[p] + a.samples[p] * a.samples[p] * other[p];
  }
}

function samples(a: Float32Array, b: Samples, out: Float32Array): void {
  if (typeof b === "number") { for (let p = 0; p < out.length; p++) out[p] = a[p] * b; }
  else for (let p = 0; p < out.length; p++) out[p] = a[p] * b[p];
}
