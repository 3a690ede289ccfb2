/** Rows that a file holds and the camera never delivered. */
import type { Image } from "../core/image.ts";

/**
 * Share of the rows whose samples are all one value or all missing: what a broken download or a full disk leaves. Ask
 * the raw frame: calibration turns a constant into the pattern of dark and flat.
 *
 * Cost: next to nothing, a good row is known by its first few samples.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { createImage } from "faintlight/extend";
 * import { lostRowShare } from "lib/measure/lost_rows.ts";
 *
 * const data = Float32Array.of(3, 4, 5, 0, 0, 0);
 * const image = createImage({ width: 3, height: 2, unit: "adu", planes: [{ channel: "L", data }] });
 * assert.equal(lostRowShare(image), 0.5);
 * ```
 */
export function lostRowShare(image: Image): number {
  const { width, height, planes } = image;
  let lost = 0;
  for (let y = 0; y < height; y++) {
    const all = planes.every(({ data }) => {
      const from = y * width;
      const first = data[from];
      for (let i = from + 1; i < from + width; i++) {
        if (data[i] !== first && (data[i] === data[i] || first === first)) return false;
      }
      return true;
    });
    if (all) lost++;
  }
  return lost / height;
}
