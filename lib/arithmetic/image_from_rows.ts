/** A small image written down row by row: examples and tests. */
import { allocatePlane, createImage, type Image, type Unit } from "../core/image.ts";
import { settle } from "../core/options.ts";

/** Options of {@linkcode imageFromRows}. */
export interface ImageFromRowsOptions {
  /** What a sample counts. */
  readonly unit: Unit;
  /** Name of the channel. */
  readonly channel: string;
}

/** What {@linkcode imageFromRows} uses for an option left out. */
export const imageFromRowsDefaults: ImageFromRowsOptions = Object.freeze({ unit: "adu", channel: "L" });

/**
 * An image of one channel from rows of numbers, the first row stored first; NaN for no data.
 *
 * @throws {RangeError} if there is no row, or rows differ in length
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { imageFromRows } from "faintlight";
 *
 * const image = imageFromRows([[1, 2, 3], [4, 5, 6]], { channel: "Ha" });
 * assert.deepEqual([image.width, image.height, image.planes[0].data[4]], [3, 2, 5]);
 * ```
 */
export function imageFromRows(
  rows: readonly (readonly number[])[],
  options: Partial<ImageFromRowsOptions> = {},
): Image {
  const { unit, channel } = settle("imageFromRows", imageFromRowsDefaults, options);
  const height = rows.length;
  const width = rows[0]?.length ?? 0;
  if (width === 0) throw new RangeError("imageFromRows: rows must hold at least one number, but got none");
  const data = allocatePlane(width, height);
  rows.forEach((row, y) => {
    if (row.length !== width) {
      throw new RangeError(`imageFromRows: row ${y} must hold ${width} numbers like the first, but got ${row.length}`);
    }
    data.set(row, y * width);
  });
  return createImage({ width, height, planes: [{ channel, data }], unit }, {
    step: "imageFromRows",
    options: { rows, unit, channel },
  });
}
