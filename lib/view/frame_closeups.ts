/** Frames looked at closely: the whole with its stars marked, and a piece at full size, with what was found. */
import type { Region } from "../core/geometry.ts";
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { box, composeSheet, heading, MARGIN, mark, paragraph, picture } from "./layout.ts";
import { verdictStyle } from "./night_timeline.ts";
import { type ThemeName, themes } from "./palette.ts";
import { drawPreview, fitDisplayStretch, makePreview, pixelsAddress, wholeRegion } from "./preview.ts";
import type { Sheet } from "./sheet.ts";
import { fitText, round, textElement } from "./text.ts";

/** A frame to look at. */
export interface CloseFrame {
  /** Path of the file. */
  readonly file: string;
  /** `keep`, `down-weight`, `reject` or `unreadable`. */
  readonly verdict: string;
  /** Why, in a few words. */
  readonly cause: string;
  /** The numbers behind it. */
  readonly evidence: string;
  /** Its stars, positions in stored pixels. */
  readonly stars: readonly Star[];
  /** Reads the frame; called once, so that many large frames are never in memory together. */
  readonly read: () => Image;
}

/** Options of {@linkcode frameCloseups}. */
export interface FrameCloseupsOptions {
  /** Heading. */
  readonly title: string;
  /** Width of the sheet, drawing units. */
  readonly width: number;
  /** Frames side by side. */
  readonly columns: number;
  /** Most stars marked on the whole frame. */
  readonly maximumMarked: number;
  /** Colours. */
  readonly theme: ThemeName;
}

/** What {@linkcode frameCloseups} uses for an option left out. */
export const frameCloseupsDefaults: FrameCloseupsOptions = Object.freeze({
  title: "Frames looked at closely",
  width: 1100,
  columns: 2,
  maximumMarked: 60,
  theme: "light",
});

/** Side of the piece shown at full size: a dozen stars wide. */
const pieceSide = (fwhm: number): number => Math.round(Math.min(220, Math.max(72, 14 * fwhm)));

/** A piece round a bright star that is not burnt out, as near to the middle as there is one. */
function pieceOf(image: Image, stars: readonly Star[], shape: number): Region {
  const widths = stars.map((star) => star.fwhmPixels).sort((a, b) => a - b);
  const fwhm = widths[widths.length >> 1] ?? 5;
  const height = Math.min(image.height, pieceSide(fwhm));
  const width = Math.min(image.width, Math.round(shape * height));
  const bright = stars.filter((star) => !star.saturated).slice(0, 25);
  const away = (star: Star) => Math.hypot(star.x - image.width / 2, star.y - image.height / 2);
  const chosen = bright.reduce<Star | null>(
    (best, star) => best === null || away(star) < away(best) ? star : best,
    null,
  );
  const at = chosen ?? { x: image.width / 2, y: image.height / 2 };
  const within = (middle: number, size: number, most: number) =>
    Math.max(0, Math.min(most - size, Math.round(middle - size / 2)));
  return { x: within(at.x, width, image.width), y: within(at.y, height, image.height), width, height };
}

/**
 * Small multiples of frames: the whole frame with its brightest stars marked, a piece of it at full size with the
 * stars as they are shaped, verdict, cause and the numbers. Each picture is brightened by itself.
 *
 * @param frames what to show, in order; each is read once
 * @param options heading, columns, theme
 * @throws {RangeError} if columns are not from 1 to 4
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, frameCloseups } from "faintlight";
 *
 * const read = () => constantImage(64, 48, 300);
 * const sheet = frameCloseups([{ file: "a.fits", verdict: "reject", cause: "cloud", evidence: "no stars", stars: [], read }]);
 * assert.match(sheet.alternativeText, /a.fits: reject, cloud/);
 * ```
 */
export function frameCloseups(frames: readonly CloseFrame[], options: Partial<FrameCloseupsOptions> = {}): Sheet {
  const used = settle("frameCloseups", frameCloseupsDefaults, options);
  const { columns, width } = used;
  if (!(Number.isInteger(columns) && columns >= 1 && columns <= 4)) {
    throw new RangeError(`frameCloseups: columns must be 1 to 4, but got ${columns}`);
  }
  const theme = themes[used.theme];
  const gap = 20;
  const cell = (width - 2 * MARGIN - (columns - 1) * gap) / columns;
  const wholeWidth = 0.58 * cell - 4;
  const pieceWidth = 0.42 * cell - 4;
  const head = heading(
    used.title,
    "Left: the whole frame, brightest stars marked. Right: a piece enlarged.",
    width,
    theme,
  );
  const elements = [...head.elements];
  let top = head.bottom;
  let lowest = top;
  frames.forEach((frame, at) => {
    if (at % columns === 0) top = lowest;
    const x = MARGIN + (at % columns) * (cell + gap);
    const image = frame.read();
    const style = verdictStyle(frame.verdict, theme);
    const height = Math.min(1.2 * wholeWidth, wholeWidth * image.height / image.width);
    const region = pieceOf(image, frame.stars, pieceWidth / height);
    const clips: string[] = [];
    for (
      const [part, left, wide, isPiece] of [
        [wholeRegion(image), x, wholeWidth, false],
        [region, x + wholeWidth + 8, pieceWidth, true],
      ] as const
    ) {
      const preview = makePreview(image, { width: Math.round(wide), height: Math.round(height) }, part);
      const scale = Math.min(wide / part.width, height / part.height);
      const w = part.width * scale;
      const h = part.height * scale;
      const x0 = left + (wide - w) / 2;
      const y0 = top + (height - h) / 2;
      elements.push(box(left, top, wide, height, theme.panel));
      elements.push(
        picture(
          pixelsAddress(drawPreview(preview, fitDisplayStretch(preview)), preview.width, preview.height),
          x0,
          y0,
          w,
          h,
          isPiece,
        ),
      );
      const inside = frame.stars.filter((star) =>
        star.x >= part.x && star.y >= part.y && star.x < part.x + part.width && star.y < part.y + part.height
      ).slice(0, isPiece ? 200 : used.maximumMarked);
      const marks = inside.map((star) => {
        const cx = x0 + (star.x - part.x + 0.5) * scale;
        const cy = preview.topDown ? y0 + (star.y - part.y + 0.5) * scale : y0 + h - (star.y - part.y + 0.5) * scale;
        const ratio = Math.sqrt(Math.max(0.05, 1 - star.eccentricity ** 2));
        const size = Math.max(5, star.fwhmPixels * scale);
        const turn = (preview.topDown ? 1 : -1) * star.elongationDegrees;
        return `<ellipse cx="${round(cx)}" cy="${round(cy)}" rx="${round(size / Math.sqrt(ratio))}" ry="${
          round(size * Math.sqrt(ratio))
        }" transform="rotate(${round(turn)} ${round(cx)} ${round(cy)})" fill="none" stroke="${
          star.saturated ? themes.dark.amber : themes.dark.teal
        }" stroke-width="${isPiece ? 1.4 : 1}"/>`;
      });
      const name = `piece-${at}-${isPiece ? 1 : 0}`;
      clips.push(
        `<clipPath id="${name}"><rect x="${round(x0)}" y="${round(y0)}" width="${round(w)}" height="${
          round(h)
        }"/></clipPath>` +
          `<g clip-path="url(#${name})">${marks.join("")}</g>`,
      );
    }
    elements.push(...clips);
    let y = top + height + 20;
    elements.push(mark(style.shape, x + 6, y - 5, 11, style.colour));
    const verdict = frame.cause === "" ? frame.verdict : `${frame.verdict}: ${frame.cause}`;
    elements.push(
      textElement(fitText(verdict, 15, cell - 18, "bold"), x + 18, y, { size: 15, fill: theme.ink, face: "bold" }),
    );
    y += 5;
    const name = frame.file.split("/").at(-1) ?? frame.file;
    const words = paragraph(`${name}: ${frame.evidence}`, x, y, cell, { size: 13.5, fill: theme.muted });
    elements.push(...words.elements);
    lowest = Math.max(lowest, words.bottom + 18);
  });
  const told = frames.map((frame) => `${frame.file}: ${frame.verdict}, ${frame.cause}`);
  return composeSheet(
    width,
    lowest + MARGIN / 2,
    theme,
    `${used.title}: ${told.length === 0 ? "none" : told.join("; ")}.`,
    elements,
  );
}
