/** How much of a picture lies at its ends. */
import { type Image, requireImage } from "../core/image.ts";

/** Share of one channel's samples at the ends, 0 … 1; samples without data are not counted. */
export interface ClippedShare {
  /** Channel. */
  readonly channel: string;
  /** Share at or below black. */
  readonly atBlack: number;
  /** Share at or above white. */
  readonly atWhite: number;
  /** Samples with data. */
  readonly samples: number;
}

/**
 * Count what was clamped: the share of each channel at or below `black` and at or above `white`.
 *
 * @param black lower end, in the unit of the image; 0 for a picture
 * @param white upper end; 1 for a picture
 * @returns one entry a channel. Cost: one pass
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { measureClipping } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const data = Float32Array.of(0, 0.25, 1, NaN);
 * const [share] = measureClipping(
 *   createImage({ width: 4, height: 1, unit: "display", planes: [{ channel: "L", data }] }),
 * );
 * assert.deepEqual(share, { channel: "L", atBlack: 1 / 3, atWhite: 1 / 3, samples: 3 });
 * ```
 */
export function measureClipping(image: Image, black = 0, white = 1): ClippedShare[] {
  requireImage("measureClipping", image);
  return image.planes.map(({ channel, data }) => {
    let low = 0;
    let high = 0;
    let samples = 0;
    for (let i = 0; i < data.length; i++) {
      const x = data[i];
      if (x !== x) continue;
      samples++;
      if (x <= black) low++;
      if (x >= white) high++;
    }
    return {
      channel,
      atBlack: samples === 0 ? 0 : low / samples,
      atWhite: samples === 0 ? 0 : high / samples,
      samples,
    };
  });
}
