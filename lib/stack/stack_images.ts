/** Stacking of images in memory. */
import { type Canvas, referenceCanvas } from "../core/canvas.ts";
import type { Image } from "../core/image.ts";
import type { NormalisationSurface } from "../core/normalisation.ts";
import { settle } from "../core/options.ts";
import type { Transform } from "../core/transform.ts";
import type { Registration } from "../register/register_frames.ts";
import type { Stack } from "./finish_stack.ts";
import { stackFrames } from "./stack_frames.ts";
import { stackFramesDefaults, type StackFramesOptions } from "./stack_options.ts";

/** Options of {@linkcode stackImages}: those of {@linkcode stackFrames} and one list each for the frames. */
export interface StackImagesOptions extends StackFramesOptions {
  /**
   * What {@linkcode registerFrames} found for these images: their transforms, and the reference's grid as the canvas.
   * Images without a transform are left out and noted. Null when `transforms` are given or the images lie on one grid.
   */
  readonly registration: Pick<Registration, "reference" | "transforms"> | null;
  /** Image pixel → reference pixel, one an image, null to leave one out; null for all when they lie on one grid. */
  readonly transforms: readonly (Transform | null)[] | null;
  /** Weights, one an image; null for equal ones. */
  readonly weights: readonly number[] | null;
  /** Scale and offset, one an image; null for none. */
  readonly normalisations: readonly (NormalisationSurface | null)[] | null;
  /** Grid of the stack; null for that of the registration's reference, else of the first image. */
  readonly canvas: Canvas | null;
}

/**
 * What {@linkcode stackImages} uses for an option left out: aligned images of equal weight, else as {@linkcode
 * stackFrames}.
 */
export const stackImagesDefaults: StackImagesOptions = Object.freeze({
  ...stackFramesDefaults,
  registration: null,
  transforms: null,
  weights: null,
  normalisations: null,
  canvas: null,
});

/**
 * {@linkcode stackFrames} for images that are in memory: a notebook's handful of frames, tests. Mosaics are
 * interpolated to colour.
 *
 * @param images linear images with the same channels
 * @param options see {@linkcode StackImagesOptions}
 * @throws {RangeError} if a list is not as long as the images, or as {@linkcode stackFrames} does
 * @throws {TypeError} if both a registration and transforms are given
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, stackImages } from "faintlight";
 *
 * const { image } = stackImages([constantImage(4, 4, 10), constantImage(4, 4, 12)], { weights: [1, 3], pairLimit: 100 });
 * assert.equal(image.planes[0].data[0], 11.5);
 * ```
 */
export function stackImages(images: readonly Image[], options: Partial<StackImagesOptions> = {}): Stack {
  const used = settle("stackImages", stackImagesDefaults, options);
  const { registration, transforms: given, weights, normalisations, canvas, ...rest } = used;
  if (images.length === 0) throw new RangeError("stackImages: images must hold at least one, but got none");
  if (registration !== null && given !== null) {
    throw new TypeError("stackImages: registration and transforms must not both be given; leave one of them out");
  }
  const transforms = registration?.transforms ?? given;
  for (const [name, list] of Object.entries({ transforms, weights, normalisations })) {
    if (list !== null && list.length !== images.length) {
      throw new RangeError(
        `stackImages: ${name} must have one entry for each of ${images.length} images, but got ${list.length}`,
      );
    }
  }
  const frames = images.map((source, index) => ({
    source,
    transform: transforms?.[index],
    weight: weights?.[index],
    normalisation: normalisations?.[index],
  }));
  const reference = images[registration?.reference ?? 0];
  const header = rest.header.length > 0 ? rest.header : reference.header;
  return stackFrames(frames, canvas ?? referenceCanvas(reference), { ...rest, header });
}
