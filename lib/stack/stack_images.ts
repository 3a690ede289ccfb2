/** Stacking of images in memory. */
import { type Canvas, referenceCanvas } from "../core/canvas.ts";
import type { Image } from "../core/image.ts";
import type { NormalisationSurface } from "../core/normalisation.ts";
import { settle } from "../core/options.ts";
import type { Transform } from "../core/transform.ts";
import type { Stack } from "./finish_stack.ts";
import { combineFrames } from "./combine_frames.ts";
import { type StackContext, stackFramesDefaults, type StackFramesOptions, stackParameters } from "./stack_options.ts";

/** How images lie on the grid of one of them. */
export interface ImageRegistration {
  /** Image pixel → reference pixel, one an image; an image with null is left out and noted. */
  readonly transforms: readonly (Transform | null)[];
  /** Place of the image whose grid is the canvas; the first when left out. */
  readonly reference?: number;
}

/** Options of {@linkcode stackImages}: those of {@linkcode stackFrames} and one list each for the frames. */
export interface StackImagesOptions extends StackFramesOptions {
  /**
   * What {@linkcode registerFrames} found for these images, or transforms of one's own: null when the images lie on
   * one grid.
   */
  readonly registration: ImageRegistration | null;
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
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, stackImages } from "faintlight";
 *
 * const frames = [constantImage(4, 4, 10), constantImage(4, 4, 12)];
 * const { image } = stackImages(frames, { weights: [1, 3], rejection: { pairLimit: 100 } });
 * assert.equal(image.planes[0].data[0], 11.5);
 * ```
 */
export function stackImages(images: readonly Image[], options: Partial<StackImagesOptions> = {}): Stack {
  return combineImages(images, options);
}

/** What {@linkcode stackImages} does, for a caller that bounds the memory. */
export function combineImages(
  images: readonly Image[],
  options: Partial<StackImagesOptions>,
  context: Partial<StackContext> = {},
): Stack {
  const used = settle("stackImages", stackImagesDefaults, options);
  const { registration, weights, normalisations, canvas, ...stacking } = used;
  if (images.length === 0) throw new RangeError("stackImages: images must hold at least one, but got none");
  const transforms = registration?.transforms ?? null;
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
  const parameters = stackParameters(stacking, { header: reference.header, ...context });
  return combineFrames(frames, canvas ?? referenceCanvas(reference), parameters);
}
