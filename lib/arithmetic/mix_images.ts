/** A weighted mean of two images, everywhere or through a mask: any step in part. */
import { allocatePlane, derive, type Image, requireImage, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { joinedMask, matchingPlanes, requireOneUnit } from "./combine_samples.ts";

/** Options of {@linkcode mixImages}. */
export interface MixImagesOptions {
  /** Share of the second image, 0 … 1. */
  readonly share: number;
  /** Where: an image of one plane, 0 nothing of the second image to 1 its full share; null for everywhere. */
  readonly mask: Image | null;
}

/** What {@linkcode mixImages} uses for an option left out: with a mask its full weight, without one half and half. */
export const mixImagesDefaults: { readonly share: number | null; readonly mask: Image | null } = Object.freeze({
  share: null,
  mask: null,
});

/** Share of the second image when neither share nor mask is given. */
const evenShare = 0.5;

/**
 * Mix two images: a + w (b − a), with the weight w of share and mask. Between the image before and after a step this is
 * the step in part.
 *
 * NaN in either image gives NaN where both take part; where the weight is 0 or 1 the other image does not matter. Masks
 * join, variances follow (1 − w)² and w². Channels pair by name; the only channel of `b` serves all of `a`. Cost: one
 * pass.
 *
 * @throws {TypeError} if units or channels differ, or the mask has several planes
 * @throws {RangeError} if sizes differ or the share is not 0 … 1
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, mixImages } from "faintlight";
 *
 * const mixed = mixImages(constantImage(2, 2, 10), constantImage(2, 2, 20), { share: 0.25 });
 * assert.equal(mixed.planes[0].data[0], 12.5);
 * ```
 */
export function mixImages(a: Image, b: Image, options: Partial<MixImagesOptions> = {}): Image {
  requireImage("mixImages", a, "a");
  requireImage("mixImages", b, "b");
  const { share: given, mask } = settle<{ share: number | null; mask: Image | null }>(
    "mixImages",
    mixImagesDefaults,
    options,
  );
  const share = given ?? (mask === null ? evenShare : 1);
  requireSameSize("mixImages", a, b, ...(mask === null ? [] : [mask]));
  requireOneUnit("mixImages", a, b);
  if (!(share >= 0 && share <= 1)) throw new RangeError(`mixImages: share must be 0 … 1, but got ${share}`);
  if (mask !== null && mask.planes.length !== 1) {
    throw new TypeError(`mixImages: mask must have one plane, but got ${mask.planes.length}; use selectChannels`);
  }
  const pairs = matchingPlanes("mixImages", a, b);
  const weight = mask === null ? null : mask.planes[0].data;
  const { width, height } = a;
  const planes = a.planes.map(({ channel, data }, plane) => {
    const out = allocatePlane(width, height);
    mixSamples(data, b.planes[pairs[plane]].data, weight, share, out);
    return { channel, data: out };
  });
  const variance = a.variance === null || b.variance === null ? null : a.variance.map((first, plane) => {
    const out = allocatePlane(width, height);
    mixVariances(first, b.variance?.[pairs[plane]] as Float32Array, weight, share, out);
    return out;
  });
  const inputs: readonly [Image, ...Image[]] = mask === null ? [a, b] : [a, b, mask];
  return derive(inputs, { planes, mask: joinedMask(a, b), variance }, { step: "mixImages", options: { share } });
}

/** a + w (b − a), where a weight of 0 or 1 lets the other image be anything. */
function mixSamples(
  a: Float32Array,
  b: Float32Array,
  mask: Float32Array | null,
  share: number,
  out: Float32Array,
): void {
  for (let p = 0; p < out.length; p++) {
    const w = mask === null ? share : share * mask[p];
    out[p] = w === 0 ? a[p] : w === 1 ? b[p] : a[p] + w * (b[p] - a[p]);
  }
}

function mixVariances(
  a: Float32Array,
  b: Float32Array,
  mask: Float32Array | null,
  share: number,
  out: Float32Array,
): void {
  for (let p = 0; p < out.length; p++) {
    const w = mask === null ? share : share * mask[p];
    out[p] = w === 0 ? a[p] : w === 1 ? b[p] : (1 - w) * (1 - w) * a[p] + w * w * b[p];
  }
}
