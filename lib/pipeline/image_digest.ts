/** A name for the samples of an image. */
import { host } from "../core/host.ts";
import { type Image, requireImage } from "../core/image.ts";

/**
 * SHA-256 of an image's samples, plane by plane, as little-endian float32.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, imageDigest } from "faintlight";
 *
 * assert.equal(imageDigest(constantImage(2, 2, 1)), imageDigest(constantImage(2, 2, 1)));
 * ```
 */
export function imageDigest(image: Image): string {
  requireImage("imageDigest", image);
  const hash = host().sha256().update(`${image.width}x${image.height}x${image.planes.length}`);
  for (const { data } of image.planes) {
    hash.update(new Uint8Array(data.buffer, data.byteOffset, data.byteLength).slice());
  }
  return hash.hex();
}
