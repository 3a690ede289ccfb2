/** Every frame of a night as a small picture with its verdict. */
import { settle } from "../core/options.ts";
import { type Box, box, composeSheet, heading, mark, picture, sheetMargin } from "./layout.ts";
import { verdictStyle } from "./night_timeline.ts";
import { type Theme, themes } from "./palette.ts";
import type { ReportFrame } from "./report.ts";
import { dataAddress, type Sheet } from "./sheet.ts";
import { fitText, formatNumber, textElement } from "./text.ts";
import type { SheetOptions } from "./view_options.ts";

/** Options of {@linkcode contactSheet}. */
export interface ContactSheetOptions extends Pick<SheetOptions, "title" | "theme"> {
  /** Pictures in a row. */
  readonly columns: number;
  /** Width of each, drawing units. */
  readonly pictureWidth: number;
  /** Most frames to show; the rest is counted in the heading. */
  readonly maximumFrames: number;
}

/** What {@linkcode contactSheet} uses for an option left out. */
export const contactSheetDefaults: ContactSheetOptions = Object.freeze({
  title: "Frames of the night",
  columns: 6,
  pictureWidth: 200,
  maximumFrames: 120,
  theme: "light",
});

/** Room under a picture for name, verdict and numbers. */
const wordsHeight = 66;

/** The small picture of a frame centred in its cell, in a border of its verdict's colour. */
function framedThumbnail({ thumbnail }: ReportFrame, place: Box, colour: string, theme: Theme): string[] {
  const { x, y, width, height } = place;
  const border = box(place, "none", `stroke="${colour}" stroke-width="2"`);
  if (thumbnail === null) {
    const style = { size: 13, fill: theme.muted, anchor: "middle" as const };
    return [box(place, theme.panel), textElement("no picture", x + width / 2, y + height / 2, style), border];
  }
  const scale = Math.min(width / thumbnail.width, height / thumbnail.height);
  const w = thumbnail.width * scale;
  const h = thumbnail.height * scale;
  const inside = { x: x + (width - w) / 2, y: y + (height - h) / 2, width: w, height: h };
  return [box(place, theme.panel), picture(dataAddress(thumbnail), inside), border];
}

/** A frame with its name, verdict and numbers. */
function frameCell(frame: ReportFrame, place: Box, theme: Theme): string[] {
  const { x, width } = place;
  const bottom = place.y + place.height;
  const { shape, colour } = verdictStyle(frame.verdict, theme);
  const name = frame.file.split("/").at(-1) ?? frame.file;
  const verdict = frame.cause === "" ? frame.verdict : `${frame.verdict}: ${frame.cause}`;
  const numbers = frame.fwhmPixels === null
    ? ""
    : `FWHM ${formatNumber(frame.fwhmPixels, 3)} px, ${frame.stars ?? "–"} stars`;
  const style = { size: 13, fill: theme.ink };
  return [
    ...framedThumbnail(frame, place, colour, theme),
    textElement(fitText(name, 13, width), x, bottom + 17, style),
    mark(shape, x + 6, bottom + 29, 10, colour),
    textElement(fitText(verdict, 13, width - 16, "bold"), x + 16, bottom + 34, { ...style, face: "bold" }),
    textElement(fitText(numbers, 13, width), x, bottom + 51, { size: 13, fill: theme.muted }),
  ];
}

/**
 * Frames as small pictures, each with its file name, verdict (shape and colour), cause, FWHM and stars.
 *
 * @param frames rows with thumbnails; a row without one keeps its place
 * @param options heading, columns, theme
 * @throws {RangeError} if columns or width are not above 0
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { contactSheet } from "faintlight";
 *
 * assert.match(contactSheet([]).alternativeText, /0 frames/);
 * ```
 */
export function contactSheet(frames: readonly ReportFrame[], options: Partial<ContactSheetOptions> = {}): Sheet {
  const used = settle("contactSheet", contactSheetDefaults, options);
  const { title, pictureWidth, maximumFrames } = used;
  const columns = Math.min(used.columns, Math.max(3, frames.length));
  if (!(columns >= 1 && pictureWidth >= 40 && maximumFrames >= 1)) {
    throw new RangeError(
      "contactSheet: columns and maximumFrames must be ≥ 1 and pictureWidth ≥ 40, " +
        `but got ${columns}, ${maximumFrames} and ${pictureWidth}`,
    );
  }
  const theme = themes[used.theme];
  const gap = 14;
  const shown = frames.slice(0, maximumFrames);
  const heights = shown.map(({ thumbnail }) =>
    thumbnail === null ? 0 : pictureWidth * thumbnail.height / thumbnail.width
  );
  const pictureHeight = Math.min(1.4 * pictureWidth, Math.max(0.5 * pictureWidth, ...heights));
  const cellHeight = pictureHeight + wordsHeight;
  const width = 2 * sheetMargin + columns * pictureWidth + (columns - 1) * gap;
  const rest = frames.length > shown.length ? `; the first ${shown.length} are shown` : "";

  const head = heading(title, `${frames.length} frames${rest}`, width, theme);
  const cells = shown.flatMap((frame, at) => {
    const x = sheetMargin + (at % columns) * (pictureWidth + gap);
    const y = head.bottom + Math.floor(at / columns) * cellHeight;
    return frameCell(frame, { x, y, width: pictureWidth, height: pictureHeight }, theme);
  });
  const rows = Math.ceil(shown.length / columns);
  const bottom = head.bottom + rows * cellHeight + sheetMargin / 2;
  const words = `${title}: ${frames.length} frames${rest}.`;
  return composeSheet(width, bottom, theme, words, [...head.elements, ...cells]);
}
