/** Frames looked at closely: the whole with its stars marked, and a piece at full size, with what was found. */
import type { Region } from "../core/geometry.ts";
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { Star } from "../core/star.ts";
import { type Block, type Box, box, composeSheet, heading, mark, paragraph, picture, sheetMargin } from "./layout.ts";
import { verdictStyle } from "./night_timeline.ts";
import { themes } from "./palette.ts";
import { drawPreview, fitDisplayStretch, makePreview, pixelsAddress, type Preview, wholeRegion } from "./preview.ts";
import type { Sheet } from "./sheet.ts";
import { fitText, round, textElement } from "./text.ts";
import type { SheetOptions } from "./view_options.ts";

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
export interface FrameCloseupsOptions extends SheetOptions {
  /** Frames side by side. */
  readonly columns: number;
  /** Most stars marked on the whole frame. */
  readonly maximumMarked: number;
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

/** A piece round a bright star that is not burnt out, as near to the centre as there is one. */
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

/** An ellipse round a star, several times as wide as the star and as elongated. */
function starRing(star: Star, at: { readonly x: number; readonly y: number }, piece: PlacedPiece): string {
  const { scale, preview, enlarged } = piece;
  const ratio = Math.sqrt(Math.max(0.05, 1 - star.eccentricity ** 2));
  const size = Math.max(5, star.fwhmPixels * scale);
  const turn = (preview.topDown ? 1 : -1) * star.elongationDegrees;
  const colour = star.saturated ? themes.dark.amber : themes.dark.teal;
  return `<ellipse cx="${round(at.x)}" cy="${round(at.y)}" rx="${round(size / Math.sqrt(ratio))}" ry="${
    round(size * Math.sqrt(ratio))
  }" transform="rotate(${round(turn)} ${round(at.x)} ${round(at.y)})" fill="none" stroke="${colour}" stroke-width="${
    enlarged ? 1.4 : 1
  }"/>`;
}

/** Stars marked at most on a piece shown enlarged. */
const maximumMarkedOnPiece = 200;

/** A part of a frame with its place on the sheet. */
interface PlacedPiece {
  readonly preview: Preview;
  /** The picture itself, centred in its panel. */
  readonly place: Box;
  /** Drawing units a pixel. */
  readonly scale: number;
  /** Whether it is the piece at full size. */
  readonly enlarged: boolean;
}

function placePiece(image: Image, part: Region, panel: Box, enlarged: boolean): PlacedPiece {
  const size = { width: Math.round(panel.width), height: Math.round(panel.height) };
  const scale = Math.min(panel.width / part.width, panel.height / part.height);
  const width = part.width * scale;
  const height = part.height * scale;
  const x = panel.x + (panel.width - width) / 2;
  const y = panel.y + (panel.height - height) / 2;
  return { preview: makePreview(image, size, part), place: { x, y, width, height }, scale, enlarged };
}

/** Rings round the stars of a piece, cut off at its edge. */
function starRings(stars: readonly Star[], piece: PlacedPiece, name: string, maximumMarked: number): string {
  const { preview, place, scale, enlarged } = piece;
  const part = preview.region;
  const inside = stars.filter((star) =>
    star.x >= part.x && star.y >= part.y && star.x < part.x + part.width && star.y < part.y + part.height
  ).slice(0, enlarged ? maximumMarkedOnPiece : maximumMarked);
  const rings = inside.map((star) => {
    const down = (star.y - part.y + 0.5) * scale;
    const y = preview.topDown ? place.y + down : place.y + place.height - down;
    return starRing(star, { x: place.x + (star.x - part.x + 0.5) * scale, y }, piece);
  });
  const edge = `<rect x="${round(place.x)}" y="${round(place.y)}" width="${round(place.width)}" height="${
    round(place.height)
  }"/>`;
  return `<clipPath id="${name}">${edge}</clipPath><g clip-path="url(#${name})">${rings.join("")}</g>`;
}

/** A frame with what is said of it: two pictures, verdict and evidence. */
function frameCell(frame: CloseFrame, place: Omit<Box, "height">, id: string, used: FrameCloseupsOptions): Block {
  const theme = themes[used.theme];
  const { x, y: top, width: cell } = place;
  const wholeWidth = 0.58 * cell - 4;
  const pieceWidth = 0.42 * cell - 4;
  const image = frame.read();
  const height = Math.min(1.2 * wholeWidth, wholeWidth * image.height / image.width);
  const panels = [
    { x, y: top, width: wholeWidth, height },
    { x: x + wholeWidth + 8, y: top, width: pieceWidth, height },
  ];
  const pieces = [
    placePiece(image, wholeRegion(image), panels[0], false),
    placePiece(image, pieceOf(image, frame.stars, pieceWidth / height), panels[1], true),
  ];
  const pictures = pieces.flatMap(({ preview, place, enlarged }, at) => {
    const samples = drawPreview(preview, fitDisplayStretch(preview));
    return [
      box(panels[at], theme.panel),
      picture(pixelsAddress(samples, preview.width, preview.height), place, enlarged ? "crisp" : "smooth"),
    ];
  });
  const rings = pieces.map((piece, at) => starRings(frame.stars, piece, `${id}-${at}`, used.maximumMarked));

  const style = verdictStyle(frame.verdict, theme);
  const line = top + height + 20;
  const verdict = frame.cause === "" ? frame.verdict : `${frame.verdict}: ${frame.cause}`;
  const name = frame.file.split("/").at(-1) ?? frame.file;
  const evidence = paragraph(`${name}: ${frame.evidence}`, x, line + 5, cell, { size: 13.5, fill: theme.muted });
  const elements = [
    ...pictures,
    ...rings,
    mark(style.shape, x + 6, line - 5, 11, style.colour),
    textElement(fitText(verdict, 15, cell - 18, "bold"), x + 18, line, { size: 15, fill: theme.ink, face: "bold" }),
    ...evidence.elements,
  ];
  return { elements, bottom: evidence.bottom + 18 };
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
 * const sheet = frameCloseups([{
 *   file: "a.fits",
 *   verdict: "reject",
 *   cause: "cloud",
 *   evidence: "no stars",
 *   stars: [],
 *   read,
 * }]);
 * assert.match(sheet.alternativeText, /a.fits: reject, cloud/);
 * ```
 */
export function frameCloseups(frames: readonly CloseFrame[], options: Partial<FrameCloseupsOptions> = {}): Sheet {
  const used = settle("frameCloseups", frameCloseupsDefaults, options);
  const { columns, title, width } = used;
  if (!(Number.isInteger(columns) && columns >= 1 && columns <= 4)) {
    throw new RangeError(`frameCloseups: columns must be 1 to 4, but got ${columns}`);
  }
  const theme = themes[used.theme];
  const gap = 20;
  const cell = (width - 2 * sheetMargin - (columns - 1) * gap) / columns;
  const caption = "Left: the whole frame, brightest stars marked. Right: a piece enlarged.";
  const head = heading(title, caption, width, theme);
  const elements = [...head.elements];
  let top = head.bottom;
  let bottom = top;
  frames.forEach((frame, at) => {
    if (at % columns === 0) top = bottom;
    const place = { x: sheetMargin + (at % columns) * (cell + gap), y: top, width: cell };
    const block = frameCell(frame, place, `piece-${at}`, used);
    elements.push(...block.elements);
    bottom = Math.max(bottom, block.bottom);
  });
  const told = frames.map((frame) => `${frame.file}: ${frame.verdict}, ${frame.cause}`);
  const words = `${title}: ${told.length === 0 ? "none" : told.join("; ")}.`;
  return composeSheet(width, bottom + sheetMargin / 2, theme, words, elements);
}
