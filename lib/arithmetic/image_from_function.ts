/** An image whose samples follow from their places: a known gradient, a mask, a test pattern. */
import { plainGeometry } from "../core/geometry.ts";
import { sha256Hex } from "../core/host.ts";
import { allocatePlane, createImage, type Image, type Unit } from "../core/image.ts";
import { settle } from "../core/options.ts";

/** Options of {@linkcode imageFromFunction}. */
export interface ImageFromFunctionOptions {
  /** What a sample counts; "automatic": that of `like`, else ADU. */
  readonly unit: Unit | "automatic";
  /** Names of the channels, all of the same samples; "automatic": those of `like`, else `L`. */
  readonly channels: readonly string[] | "automatic";
  /** An image whose unit, channels, geometry and header the new one takes; null for none. */
  readonly like: Image | null;
}

/** What {@linkcode imageFromFunction} uses for an option left out. */
export const imageFromFunctionDefaults: ImageFromFunctionOptions = Object.freeze({
  unit: "automatic",
  channels: "automatic",
  like: null,
});

/**
 * An image of the value that a function gives for each pixel.
 *
 * In the history such an image is a source: the function itself cannot be recorded. Cost: one call a pixel.
 *
 * @param width columns
 * @param height rows
 * @param value the sample at column x and row y, from 0; NaN for no data
 * @throws {RangeError} if width or height are no whole numbers above 0, or differ from those of `like`
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { imageFromFunction } from "faintlight";
 *
 * const gradient = imageFromFunction(4, 3, (x, y) => 100 + 2 * x + y);
 * assert.equal(gradient.planes[0].data[4 * 2 + 3], 108);
 * ```
 */
export function imageFromFunction(
  width: number,
  height: number,
  value: (x: number, y: number) => number,
  options: Partial<ImageFromFunctionOptions> = {},
): Image {
  const { like, ...used } = settle("imageFromFunction", imageFromFunctionDefaults, options);
  const unit = used.unit === "automatic" ? like?.unit ?? "adu" : used.unit;
  const channels = used.channels === "automatic" ? like?.planes.map(({ channel }) => channel) ?? ["L"] : used.channels;
  if (like !== null && (like.width !== width || like.height !== height)) {
    throw new RangeError(
      `imageFromFunction: the size must be that of like, ${like.width} × ${like.height}, but got ${width} × ${height}`,
    );
  }
  if (!(Number.isInteger(width) && Number.isInteger(height) && width > 0 && height > 0)) {
    throw new RangeError(
      `imageFromFunction: width and height must be whole numbers above 0, but got ${width} × ${height}`,
    );
  }
  const data = allocatePlane(width, height);
  for (let y = 0, at = 0; y < height; y++) for (let x = 0; x < width; x++, at++) data[at] = value(x, y);
  const planes = channels.map((channel, at) => ({ channel, data: at === 0 ? data : allocatePlane(width, height) }));
  for (const plane of planes.slice(1)) plane.data.set(data);
  const { header, geometry } = like ?? { header: [], geometry: plainGeometry };
  const entry = {
    step: "imageFromFunction",
    options: {
      width,
      height,
      unit,
      channels,
      digest: sha256Hex(new Uint8Array(data.buffer, data.byteOffset, data.byteLength).slice()),
    },
  };
  return createImage({ width, height, planes, unit, header, geometry }, entry);
}
