/** What a step measures on a whole image, handed in with a patch of it. */
import type { Point } from "../core/geometry.ts";
import type { Image } from "../core/image.ts";

/** The image that something was measured on. */
export interface MeasuredOn {
  /** Columns of the whole image. */
  readonly width: number;
  /** Rows of the whole image. */
  readonly height: number;
  /** Position of its first pixel, as in its geometry. */
  readonly origin: Point;
}

/** What may stand beside a step's options: its measures of a whole image, where the image is a patch of that. */
export interface WithMeasures<Measures> {
  /** Measures of the whole; if left out they are taken on the image itself. */
  readonly measured?: Measures | null;
}

/** The image as what something is measured on. */
export const measuredOn = ({ width, height, geometry }: Image): MeasuredOn => ({
  width,
  height,
  origin: geometry.origin,
});

/** What was measured before, and the options themselves. */
export function partMeasured<Measures, Options>(
  given: Partial<Options> & WithMeasures<Measures>,
): { readonly measured: Measures | null; readonly options: Partial<Options> } {
  if (typeof given !== "object" || given === null || !("measured" in given)) return { measured: null, options: given };
  const { measured = null, ...options } = given;
  // What is left of the options once `measured` is taken out is the options, which the compiler cannot follow.
  return { measured, options: options as unknown as Partial<Options> };
}

/** What goes into the record: options, and the measures where they were handed in and not the image's own. */
export const recordedOptions = <Measures>(options: object, measured: Measures | null): object =>
  measured === null ? options : { ...options, measured };

/**
 * Where a patch's first pixel lies in the image that its measures are of.
 *
 * @throws {RangeError} if the image is not a patch of that one, on the same pixels
 */
export function offsetWithin(step: string, image: Image, whole: MeasuredOn): Point {
  const { origin, scale } = image.geometry;
  const x = (origin.x - whole.origin.x) / scale;
  const y = (origin.y - whole.origin.y) / scale;
  const fits = Number.isInteger(x) && Number.isInteger(y) && x >= 0 && y >= 0 && x + image.width <= whole.width &&
    y + image.height <= whole.height;
  if (!fits) {
    throw new RangeError(
      `${step}: the image must be a patch of the one that was measured, ${whole.width} × ${whole.height} pixels, but ` +
        `${image.width} × ${image.height} pixels at (${x}, ${y}) do not lie in it; measure the image itself`,
    );
  }
  return { x, y };
}
