/** Replacement of bad pixels. */
import { allocatePlane, derive, type Image, requireLinear } from "../core/image.ts";
import { createMask, type Mask, maskBit } from "../core/mask.ts";
import { settle } from "../core/options.ts";
import { repairTile } from "../kernels/mosaic.ts";

/** Options of {@linkcode repairPixels}. */
export interface RepairPixelsOptions {
  /** Bits of the given mask that mark a pixel as bad, 1 … 255. */
  readonly bits: number;
}

/** What {@linkcode repairPixels} uses for an option left out: any bit counts. */
export const repairPixelsDefaults: RepairPixelsOptions = Object.freeze({ bits: 255 });

/**
 * Replace bad pixels, and pixels without data, by the median of the good neighbours of the same colour: those next to
 * it (in a mosaic two pixels away), and those at twice the distance as well when fewer than three of them are good.
 *
 * In: linear, mono, colour or mosaic. Out: same; the mask gains `defect` (or the bits of the given mask) and
 * `repaired`; a pixel with nothing good in reach becomes NaN with `noData`. Cost: one pass and some microseconds a bad
 * pixel.
 *
 * @param image what to repair
 * @param bad mask of width × height bytes
 * @throws {RangeError} if the mask has another size or `bits` is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, repairPixels } from "faintlight";
 * import { createMask, maskBit } from "faintlight/extend";
 *
 * const bad = createMask(5, 5);
 * bad[12] = maskBit.defect;
 * const repaired = repairPixels(constantImage(5, 5, 7), bad);
 * assert.equal(repaired.planes[0].data[12], 7);
 * assert.ok((repaired.mask ?? bad)[12] & maskBit.repaired);
 * ```
 */
export function repairPixels(image: Image, bad: Mask, options: Partial<RepairPixelsOptions> = {}): Image {
  const used = settle("repairPixels", repairPixelsDefaults, options);
  requireLinear("repairPixels", image);
  const { width, height } = image;
  if (bad.length !== width * height) {
    throw new RangeError(`repairPixels: bad must hold ${width} × ${height} bytes, but got ${bad.length}`);
  }
  const { bits } = used;
  if (!(Number.isInteger(bits) && bits >= 1 && bits <= 255)) {
    throw new RangeError(`repairPixels: bits must be a whole number from 1 to 255, but got ${bits}`);
  }
  const mask = createMask(width, height);
  if (image.mask !== null) mask.set(image.mask);
  let count = 0;
  let lost = 0;
  const planes = image.planes.map((plane) => {
    const data = allocatePlane(width, height);
    data.set(plane.data);
    const found = repairTile(data, width, height, bad, bits, image.geometry.bayer === null ? 1 : 2);
    for (const p of found) {
      const none = data[p] !== data[p];
      mask[p] |= (bad[p] & bits) | (none ? maskBit.noData : maskBit.repaired);
      if (none) lost++;
    }
    count += found.length;
    return { channel: plane.channel, data };
  });
  const notes = [`${count - lost} samples replaced, ${lost} without a good neighbour`];
  return derive(image, { planes, mask }, { step: "repairPixels", options: used, notes });
}
