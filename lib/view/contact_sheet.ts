/** Every frame of a night as a small picture with its verdict. */
import { settle } from "../core/options.ts";
import { box, composeSheet, heading, MARGIN, mark, picture } from "./layout.ts";
import { verdictStyle } from "./night_timeline.ts";
import { type ThemeName, themes } from "./palette.ts";
import type { ReportFrame } from "./report.ts";
import { dataAddress, type Sheet } from "./sheet.ts";
import { fitText, formatNumber, textElement } from "./text.ts";

/** Options of {@linkcode contactSheet}. */
export interface ContactSheetOptions {
  /** Heading. */
  readonly title: string;
  /** Pictures in a row. */
  readonly columns: number;
  /** Width of each, drawing units. */
  readonly pictureWidth: number;
  /** Most frames to show; the rest is counted in the heading. */
  readonly maximumFrames: number;
  /** Colours. */
  readonly theme: ThemeName;
}

/** What {@linkcode contactSheet} uses for an option left out. */
export const contactSheetDefaults: ContactSheetOptions = Object.freeze({
  title: "Frames of the night",
  columns: 6,
  pictureWidth: 200,
  maximumFrames: 120,
  theme: "light",
});

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
  const { pictureWidth, maximumFrames } = used;
  const columns = Math.min(used.columns, Math.max(3, frames.length));
  if (!(columns >= 1 && pictureWidth >= 40 && maximumFrames >= 1)) {
    throw new RangeError(
      `contactSheet: columns and most must be ≥ 1 and pictureWidth ≥ 40, but got ${columns}, ${maximumFrames} and ${pictureWidth}`,
    );
  }
  const theme = themes[used.theme];
  const gap = 14;
  const shown = frames.slice(0, maximumFrames);
  const heights = shown.map(({ thumbnail }) =>
    thumbnail === null ? 0 : pictureWidth * thumbnail.height / thumbnail.width
  );
  const pictureHeight = Math.min(1.4 * pictureWidth, Math.max(0.5 * pictureWidth, ...heights));
  const cellHeight = pictureHeight + 66;
  const width = 2 * MARGIN + columns * pictureWidth + (columns - 1) * gap;
  const rest = frames.length > shown.length ? `; the first ${shown.length} are shown` : "";
  const head = heading(used.title, `${frames.length} frames${rest}`, width, theme);
  const elements = [...head.elements];
  shown.forEach((frame, at) => {
    const x = MARGIN + (at % columns) * (pictureWidth + gap);
    const y = head.bottom + Math.floor(at / columns) * cellHeight;
    const style = verdictStyle(frame.verdict, theme);
    elements.push(box(x, y, pictureWidth, pictureHeight, theme.panel));
    if (frame.thumbnail === null) {
      elements.push(
        textElement("no picture", x + pictureWidth / 2, y + pictureHeight / 2, {
          size: 13,
          fill: theme.muted,
          anchor: "middle",
        }),
      );
    } else {
      const scale = Math.min(pictureWidth / frame.thumbnail.width, pictureHeight / frame.thumbnail.height);
      const w = frame.thumbnail.width * scale;
      const h = frame.thumbnail.height * scale;
      elements.push(
        picture(dataAddress(frame.thumbnail), x + (pictureWidth - w) / 2, y + (pictureHeight - h) / 2, w, h),
      );
    }
    elements.push(box(x, y, pictureWidth, pictureHeight, "none", `stroke="${style.colour}" stroke-width="2"`));
    const name = frame.file.split("/").at(-1) ?? frame.file;
    elements.push(
      textElement(fitText(name, 13, pictureWidth), x, y + pictureHeight + 17, { size: 13, fill: theme.ink }),
    );
    elements.push(mark(style.shape, x + 6, y + pictureHeight + 29, 10, style.colour));
    const verdict = frame.cause === "" ? frame.verdict : `${frame.verdict}: ${frame.cause}`;
    elements.push(
      textElement(fitText(verdict, 13, pictureWidth - 16, "bold"), x + 16, y + pictureHeight + 34, {
        size: 13,
        fill: theme.ink,
        face: "bold",
      }),
    );
    const numbers = frame.fwhmPixels === null
      ? ""
      : `FWHM ${formatNumber(frame.fwhmPixels, 3)} px, ${frame.stars ?? "–"} stars`;
    elements.push(
      textElement(fitText(numbers, 13, pictureWidth), x, y + pictureHeight + 51, { size: 13, fill: theme.muted }),
    );
  });
  const rows = Math.ceil(shown.length / columns);
  const bottom = head.bottom + rows * cellHeight + MARGIN / 2;
  return composeSheet(width, bottom, theme, `${used.title}: ${frames.length} frames${rest}.`, elements);
}
