/** The quotient of two images, or of an image and a number. */
import { type Image, requireImage, type Unit } from "../core/image.ts";
import {
  combineSamples,
  isDimensionless,
  type Operand,
  requireOneUnit,
  type Samples,
  type Term,
} from "./combine_samples.ts";

/**
 * Divide every sample of an image by a number, a flat, a ratio or an image of the same unit.
 *
 * The quotient of equal units is dimensionless, unit "ratio". NaN stays NaN in either image, and division by 0 gives
 * NaN; masks join, variances follow the quotient. Channels pair by name; the only channel of `b` serves all of `a`.
 * Cost: one pass.
 *
 * @param b number other than 0, image of the same unit, or one without unit: a ratio, a flat
 * @throws {TypeError} if units or channels do not go together
 * @throws {RangeError} if sizes differ or the number is not finite
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, divideImages } from "faintlight";
 *
 * const ratio = divideImages(constantImage(2, 2, 8), constantImage(2, 2, 2));
 * assert.deepEqual([ratio.unit, ratio.planes[0].data[0]], ["ratio", 4]);
 * ```
 */
export function divideImages(a: Image, b: Image | number): Image {
  requireImage("divideImages", a, "a");
  return combineSamples(a, b, { step: "divideImages", unit: unitOfDivideImages, samples, variance: quotientVariance });
}

function unitOfDivideImages(a: Image, b: Term): Unit {
  if (typeof b === "number") {
    if (b !== 0) return a.unit;
    throw new RangeError("divideImages: b must not be 0, but got 0");
  }
  if (a.unit !== "display" && b.unit !== "display") {
    const flat = a.unit !== "ratio" && isDimensionless(b);
    if (flat) return a.unit;
    if (a.unit === b.unit) return "ratio";
  }
  requireOneUnit("divideImages", a, b);
  return "ratio";
}

/** First-order propagation for independent terms: var(a/b) = (var(a) + (a/b)² var(b)) / b². */
function quotientVariance(a: Operand<Float32Array>, b: Operand<Samples>, out: Float32Array): void {
  const first = a.variance as Float32Array;
  const divisor = b.samples;
  if (typeof divisor === "number") {
    for (let p = 0; p < out.length; p++) out[p] = first[p] / (divisor * divisor);
    return;
  }
  const second = b.variance as Float32Array;
  for (let p = 0; p < out.length; p++) {
    const quotient = a.samples[p] / divisor[p];
    out[p] = divisor[p] === 0 ? NaN : (first[p] + quotient * quotient * second[p]) / (divisor[p] * divisor[p]);
  }
}

function samples(a: Float32Array, b: Samples, out: Float32Array): void {
  if (typeof b === "number") { for (let p = 0; p < out.length; p++) out[p] = a[p] / b; }
  else for (let p = 0; p < out.length; p++) out[p] = b[p] === 0 ? NaN : a[p] / b[p];
}
