/** Small pictures for tables and contact sheets. */
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { encodeJpeg } from "../io/jpeg.ts";
import { describeStretch, drawPreview, fitDisplayStretch, makePreview, wholeRegion } from "./preview.ts";
import type { EncodedPicture } from "./sheet.ts";
import type { ViewOptions } from "./view_options.ts";

/** Options of {@linkcode thumbnail}. */
export interface ThumbnailOptions extends Pick<ViewOptions, "width" | "channel"> {
  /** Quality of the JPEG, 1 … 100. */
  readonly quality: number;
}

/** What {@linkcode thumbnail} uses for an option left out. */
export const thumbnailDefaults: ThumbnailOptions = Object.freeze({ width: 240, channel: "automatic", quality: 80 });

/**
 * A small JPEG of an image, brightened for the screen when it is linear: for tables and contact sheets.
 *
 * @throws {RangeError} if the width is not above 0
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { thumbnail } from "faintlight/view";
 *
 * assert.equal(thumbnail(constantImage(480, 320, 7), { width: 120 }).height, 80);
 * ```
 */
export function thumbnail(image: Image, options: Partial<ThumbnailOptions> = {}): EncodedPicture {
  const { width, channel, quality } = settle("thumbnail", thumbnailDefaults, options);
  if (!(width >= 1)) throw new RangeError(`thumbnail: width must be ≥ 1, but got ${width}`);
  const preview = makePreview(image, { width, height: 4 * width }, wholeRegion(image), channel);
  const stretch = fitDisplayStretch(preview);
  const source = {
    width: preview.width,
    height: preview.height,
    channels: 3 as const,
    samples: drawPreview(preview, stretch),
  };
  return {
    bytes: encodeJpeg(source, { quality }),
    type: "image/jpeg",
    width: preview.width,
    height: preview.height,
    alternativeText: `small view, ${describeStretch(stretch, image.unit)}`,
  };
}
