/** The stars of an image marked on it. */
import { type Image, requireImage } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { clip, imageViewDefaults, type PlacedImage, placeImage } from "./image_view.ts";
import { composeSheet, sheetMargin } from "./layout.ts";
import { themes } from "./palette.ts";
import { wholeRegion } from "./preview.ts";
import type { Sheet } from "./sheet.ts";
import { capital, round } from "./text.ts";
import type { ViewOptions } from "./view_options.ts";

/** Options of {@linkcode starOverlay}. */
export interface StarOverlayOptions extends ViewOptions {
  /** Most stars to mark, the brightest first. */
  readonly maximumStars: number;
}

/** What {@linkcode starOverlay} uses for an option left out. */
export const starOverlayDefaults: StarOverlayOptions = Object.freeze({
  ...imageViewDefaults,
  title: "Stars found",
  maximumStars: 1500,
});

/** An ellipse for a star: as elongated as the star, several times its size, so that the star stays visible inside. */
function starMark(star: Star, placed: PlacedImage, colour: string): string {
  const ratio = Math.sqrt(Math.max(0.05, 1 - star.eccentricity ** 2));
  const size = Math.max(6, 1.6 * star.fwhmPixels * placed.scale);
  const { x, y } = placed.place(star.x, star.y);
  const sense = placed.place(0, 1).y > placed.place(0, 0).y ? 1 : -1;
  const long = size / Math.sqrt(ratio);
  const short = size * Math.sqrt(ratio);
  return `<ellipse cx="${round(x)}" cy="${round(y)}" rx="${round(long)}" ry="${round(short)}" ` +
    `transform="rotate(${round(sense * star.elongationDegrees)} ${round(x)} ${round(y)})" fill="none" ` +
    `stroke="${colour}" stroke-width="1.3"${star.saturated ? ' stroke-dasharray="3 2.5"' : ""}/>`;
}

/** Colours that show on any sky. */
const overlayColour = { star: themes.dark.teal, saturated: themes.dark.amber };

/**
 * The stars of an image marked on it: an ellipse around each, elongated as the star is; saturated stars dashed and in
 * another colour.
 *
 * In: any image and stars measured on it, positions in stored pixels. Cost: one pass over the planes shown.
 *
 * @throws {RangeError} if `maximumStars` is not above 0 or the region leaves the image
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, starOverlay } from "faintlight";
 *
 * assert.match(starOverlay(constantImage(32, 32, 1), []).alternativeText, /0 stars/);
 * ```
 */
export function starOverlay(image: Image, stars: readonly Star[], options: Partial<StarOverlayOptions> = {}): Sheet {
  requireImage("starOverlay", image);
  const used = settle("starOverlay", starOverlayDefaults, options);
  if (!(used.maximumStars > 0)) {
    throw new RangeError(`starOverlay: maximumStars must be > 0, but got ${used.maximumStars}`);
  }
  const region = used.region ?? wholeRegion(image);
  const within = stars.filter(({ x, y }) =>
    x >= region.x - 0.5 && y >= region.y - 0.5 && x < region.x + region.width - 0.5 &&
    y < region.y + region.height - 0.5
  );
  const shown = within.toSorted((a, b) => b.flux - a.flux).slice(0, used.maximumStars);
  const saturated = shown.filter((star) => star.saturated).length;
  const count = `${within.length} stars` +
    (shown.length < within.length ? `, the brightest ${shown.length} marked` : "") +
    (saturated > 0 ? `; ${saturated} saturated (dashed)` : "");
  const placed = placeImage("starOverlay", image, used, count);
  const marks = shown.map((star) =>
    starMark(star, placed, star.saturated ? overlayColour.saturated : overlayColour.star)
  );
  const alternative = `${used.title}: ${count}. ${capital(placed.words)}.`;
  return composeSheet(used.width, placed.bottom + sheetMargin / 2, themes[used.theme], alternative, [
    ...placed.elements,
    clip(placed, marks),
  ]);
}
