/** Cutting an image to the part that enough frames cover. */
import { cropGeometry, type Region } from "../core/geometry.ts";
import { allocatePlane, derive, type Image, requireImage, requireSameSize } from "../core/image.ts";
import { createMask } from "../core/mask.ts";
import { settle } from "../core/options.ts";

/** Options of {@linkcode cropImage}: a rectangle in pixels of the image. */
export interface CropImageOptions {
  /** First column; 0 or more. */
  readonly x: number;
  /** First row; 0 or more. */
  readonly y: number;
  /** Columns to keep; null for all that follow. */
  readonly width: number | null;
  /** Rows to keep; null for all that follow. */
  readonly height: number | null;
}

/** What {@linkcode cropImage} uses for an option left out: the whole image. */
export const cropImageDefaults: CropImageOptions = Object.freeze({ x: 0, y: 0, width: null, height: null });

function cut<T extends Float32Array | Uint8Array>(from: T, to: T, width: number, region: Region): T {
  for (let y = 0; y < region.height; y++) {
    const start = (region.y + y) * width + region.x;
    to.set(from.subarray(start, start + region.width), y * region.width);
  }
  return to;
}

/**
 * Keep a rectangle of an image, with its mask, variance, coverage, geometry and sky coordinates.
 *
 * In: any image. Out: width × height of the options, same unit. Cost: one copy of what is kept.
 *
 * @throws {RangeError} if the rectangle is empty, not of whole pixels, or reaches beyond the image
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, cropImage } from "faintlight";
 *
 * const part = cropImage(constantImage(8, 6, 1), { x: 2, y: 1, width: 4, height: 3 });
 * assert.deepEqual([part.width, part.height, part.geometry.origin.x], [4, 3, 2]);
 * ```
 */
export function cropImage(image: Image, options: Partial<CropImageOptions> = {}): Image {
  requireImage("cropImage", image);
  const given = settle("cropImage", cropImageDefaults, options);
  const { x, y } = given;
  const width = given.width ?? image.width - x;
  const height = given.height ?? image.height - y;
  const whole = [x, y, width, height].every(Number.isInteger);
  if (!whole || x < 0 || y < 0 || width < 1 || height < 1 || x + width > image.width || y + height > image.height) {
    throw new RangeError(
      `cropImage: the rectangle must lie within ${image.width} × ${image.height} pixels, but got ${width} × ` +
        `${height} at (${x}, ${y})`,
    );
  }
  const region = { x, y, width, height };
  const plane = (data: Float32Array) => cut(data, allocatePlane(width, height), image.width, region);
  return derive(image, {
    width,
    height,
    planes: image.planes.map(({ channel, data }) => ({ channel, data: plane(data) })),
    geometry: cropGeometry(image.geometry, { x, y }),
    mask: image.mask === null ? null : cut(image.mask, createMask(width, height), image.width, region),
    variance: image.variance === null ? null : image.variance.map(plane),
    coverage: image.coverage === null ? null : plane(image.coverage),
  }, { step: "cropImage", options: region });
}

/**
 * The largest upright rectangle in which every pixel of every coverage plane holds at least `share` of that plane's
 * maximum.
 *
 * @param coverages images of one plane, frames behind each pixel, all of one size
 * @param share 0 … 1; 1 asks for every frame
 * @throws {RangeError} if there is no such pixel, the sizes differ or the share is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { commonRegion } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const data = Float32Array.of(1, 2, 2, 0, 2, 2);
 * const coverage = createImage({ width: 3, height: 2, unit: "adu", planes: [{ channel: "coverage", data }] });
 * assert.deepEqual(commonRegion([coverage], 1), { x: 1, y: 0, width: 2, height: 2 });
 * ```
 */
export function commonRegion(coverages: readonly Image[], share: number): Region {
  if (!(share > 0 && share <= 1)) {
    throw new RangeError(`commonRegion: share must lie above 0 and at most at 1, but got ${share}`);
  }
  if (coverages.length === 0) {
    throw new RangeError("commonRegion: coverages must hold at least one plane, but got none");
  }
  requireSameSize("commonRegion", ...coverages);
  const { width, height } = coverages[0];
  const limits = coverages.map(({ planes }) =>
    planes[0].data.reduce((most, n) => n > most ? n : most, 0) * share - 1e-6
  );
  const tall = new Int32Array(width + 1);
  const stack = new Int32Array(width + 1);
  let best: Region = { x: 0, y: 0, width: 0, height: 0 };
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      const covered = coverages.every(({ planes }, at) =>
        limits[at] > 0 && planes[0].data[y * width + x] >= limits[at]
      );
      tall[x] = covered ? tall[x] + 1 : 0;
    }
    // largest rectangle under a skyline: heights rise on the stack, each is closed by the first lower one
    let depth = 0;
    for (let x = 0; x <= width; x++) {
      while (depth > 0 && tall[stack[depth - 1]] >= tall[x]) {
        const high = tall[stack[--depth]];
        const left = depth === 0 ? 0 : stack[depth - 1] + 1;
        if (high * (x - left) > best.width * best.height) {
          best = { x: left, y: y - high + 1, width: x - left, height: high };
        }
      }
      stack[depth++] = x;
    }
  }
  if (best.width === 0) {
    throw new RangeError(
      `commonRegion: some pixel must hold ${share} of the frames of each stack, but none does; use a smaller share`,
    );
  }
  return best;
}
