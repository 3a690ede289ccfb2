/** An image as a sheet, the right way up, and marks on it. */
import { type Image, requireImage } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { composeSheet, heading, paragraph, picture, sheetMargin } from "./layout.ts";
import { channelLabel, themes } from "./palette.ts";
import {
  describeStretch,
  drawPreview,
  fitDisplayStretch,
  fitLinearDisplay,
  makePreview,
  pixelsAddress,
  regionWithin,
} from "./preview.ts";
import type { Sheet } from "./sheet.ts";
import { capital, formatNumber, round } from "./text.ts";
import { sharedViewOptions, type ViewOptions } from "./view_options.ts";

/** Options of {@linkcode imageView}. */
export type ImageViewOptions = ViewOptions;

/** What {@linkcode imageView} uses for an option left out. */
export const imageViewDefaults: ImageViewOptions = Object.freeze({
  ...sharedViewOptions,
  title: "",
  width: 900,
});

/** An image placed in a sheet: where its pixels lie in drawing units. */
export interface PlacedImage {
  /** Elements: heading, picture, caption. */
  readonly elements: readonly string[];
  /** y under the caption. */
  readonly bottom: number;
  /** Left edge of the picture. */
  readonly left: number;
  /** Upper edge of the picture. */
  readonly top: number;
  /** Width of the picture. */
  readonly width: number;
  /** Height of the picture. */
  readonly height: number;
  /** Drawing units a stored pixel. */
  readonly scale: number;
  /** Drawing position of a stored pixel's centre. */
  readonly place: (x: number, y: number) => { readonly x: number; readonly y: number };
  /** What stretch was used, in words. */
  readonly stretchWords: string;
  /** What is shown, in words. */
  readonly words: string;
}

/** Place an image under a heading at the full width of a sheet. */
export function placeImage(step: string, image: Image, used: ViewOptions, caption = ""): PlacedImage {
  const theme = themes[used.theme];
  const region = regionWithin(step, image, used.region);
  const room = used.width - 2 * sheetMargin;
  const preview = makePreview(image, { width: room, height: 1.5 * room }, region, used.channel);
  const stretch = used.stretch === "linear" ? fitLinearDisplay(preview) : fitDisplayStretch(preview);
  const head = heading(used.title, caption, used.width, theme);
  const top = head.bottom;
  const scale = Math.min(room / region.width, 1.5 * room / region.height);
  const width = region.width * scale;
  const height = region.height * scale;
  const left = sheetMargin + (room - width) / 2;
  const labels = preview.channels.map(channelLabel);
  const channels = labels.length === 2 ? `${labels[0]} drawn red, ${labels[1]} cyan` : labels.join(", ");
  const part = used.region === null
    ? `${image.width} × ${image.height} pixels`
    : `x ${region.x} … ${region.x + region.width - 1}, y ${region.y} … ${region.y + region.height - 1}`;
  const zoom = scale === 1 ? "" : `, ${formatNumber(scale, 2)} × size`;
  const stretchWords = describeStretch(stretch, image.unit);
  const words = `${channels}; ${part}${zoom}`;
  const below = paragraph(`${capital(words)}. ${capital(stretchWords)}.`, sheetMargin, top + height + 8, room, {
    size: 14,
    fill: theme.muted,
  });
  const address = pixelsAddress(drawPreview(preview, stretch), preview.width, preview.height);
  return {
    elements: [
      ...head.elements,
      picture(address, { x: left, y: top, width, height }, scale > 1.4 ? "crisp" : "smooth"),
      ...below.elements,
    ],
    bottom: below.bottom,
    left,
    top,
    width,
    height,
    scale,
    place: (x, y) => ({
      x: left + (x - region.x + 0.5) * scale,
      y: preview.topDown ? top + (y - region.y + 0.5) * scale : top + height - (y - region.y + 0.5) * scale,
    }),
    stretchWords,
    words,
  };
}

/**
 * An image as a sheet, the right way up: the first stored row is the top, unless the header's ROWORDER says
 * `BOTTOM-UP`. Linear data are brightened for the screen and the caption says how; a finished picture is shown as it
 * is. NaN (no data) is drawn blue.
 *
 * In: any image. Cost: one pass over the planes shown.
 *
 * @throws {TypeError} if the channel does not exist
 * @throws {RangeError} if the region leaves the image
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, imageView } from "faintlight";
 *
 * const sheet = imageView(constantImage(64, 48, 0.2, { unit: "display" }), { title: "Even grey", width: 400 });
 * assert.equal(sheet.width, 400);
 * ```
 */
export function imageView(image: Image, options: Partial<ImageViewOptions> = {}): Sheet {
  requireImage("imageView", image);
  const used = settle("imageView", imageViewDefaults, options);
  const placed = placeImage("imageView", image, used);
  const alternative = `${used.title === "" ? "Image" : used.title}: ${placed.words}; ${placed.stretchWords}.`;
  return composeSheet(used.width, placed.bottom + sheetMargin / 2, themes[used.theme], alternative, placed.elements);
}

/** Elements cut off at the edge of the picture. */
export function clip(placed: PlacedImage, elements: readonly string[]): string {
  const { left, top, width, height } = placed;
  const frame = `<rect x="${round(left)}" y="${round(top)}" width="${round(width)}" height="${round(height)}"/>`;
  return `<clipPath id="frame">${frame}</clipPath><g clip-path="url(#frame)">${elements.join("")}</g>`;
}
