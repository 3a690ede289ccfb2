/** The four half-size images of a mosaic. */
import { cropGeometry, rescaleGeometry } from "../core/geometry.ts";
import { allocatePlane, derive, type Image, requireLinear } from "../core/image.ts";
import { createMask } from "../core/mask.ts";

/** The four phases of a mosaic as mono images of half the size; `green1` shares its rows with red. */
export interface MosaicParts {
  /** Red pixels. */
  readonly red: Image;
  /** Green pixels in the red rows. */
  readonly green1: Image;
  /** Green pixels in the blue rows. */
  readonly green2: Image;
  /** Blue pixels. */
  readonly blue: Image;
}

/**
 * Split a mosaic into its four phases without interpolation, for dual-band filters and for measuring. Pixel (X, Y) of
 * phase (i, j) is pixel (2X + i, 2Y + j) of the mosaic, and the geometry of each part says so: its origin is that
 * pixel's centre, its scale 2. Variance and mask come along. An odd last row or column is left out.
 *
 * @throws {TypeError} if the image has several planes or no Bayer pattern, or is a finished picture
 * @throws {RangeError} if the image has no whole 2 × 2 block
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { derive } from "faintlight/extend";
 * import { splitMosaic } from "faintlight/parts";
 *
 * const plain = constantImage(4, 4, 3);
 * const mosaic = derive(plain, { geometry: { ...plain.geometry, bayer: "RGGB" } }, { step: "pattern", options: {} });
 * assert.deepEqual(splitMosaic(mosaic).blue.geometry.origin, { x: 1, y: 1 });
 * ```
 */
export function splitMosaic(image: Image): MosaicParts {
  requireLinear("splitMosaic", image);
  const { bayer } = image.geometry;
  if (image.planes.length !== 1 || bayer === null) {
    throw new TypeError(
      `splitMosaic: image must be one plane with a Bayer pattern, but has ${image.planes.length} and pattern ${bayer}`,
    );
  }
  const width = image.width >> 1;
  const height = image.height >> 1;
  if (width === 0 || height === 0) {
    throw new RangeError(`splitMosaic: image must have 2 × 2 pixels, but got ${image.width} × ${image.height}`);
  }
  const take = (from: Float32Array | Uint8Array, to: Float32Array | Uint8Array, i: number, j: number) => {
    for (let y = 0, p = 0; y < height; y++) {
      for (let x = 0; x < width; x++, p++) to[p] = from[(2 * y + j) * image.width + 2 * x + i];
    }
  };
  const part = (i: number, j: number, channel: string, output: string): Image => {
    const data = allocatePlane(width, height);
    take(image.planes[0].data, data, i, j);
    const mask = image.mask === null ? null : createMask(width, height);
    if (image.mask !== null && mask !== null) take(image.mask, mask, i, j);
    const variance = image.variance === null ? null : image.variance.map((plane) => {
      const out = allocatePlane(width, height);
      take(plane, out, i, j);
      return out;
    });
    // The pixel stays where its centre is: a shift by half a coarse pixel undoes the corner rule of the rescaling.
    const coarse = rescaleGeometry(image.geometry, 2);
    const geometry = cropGeometry(coarse, { x: (i - 0.5) / 2, y: (j - 0.5) / 2 });
    return derive(image, { width, height, planes: [{ channel, data }], geometry, mask, variance, coverage: null }, {
      step: "splitMosaic",
      options: {},
      output,
    });
  };
  const at = bayer.indexOf("R");
  const x = at & 1;
  const y = at >> 1;
  return {
    red: part(x, y, "R", "red"),
    green1: part(1 - x, y, "G", "green1"),
    green2: part(x, 1 - y, "G", "green2"),
    blue: part(1 - x, 1 - y, "B", "blue"),
  };
}
