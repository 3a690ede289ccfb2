/** A sheet: a drawing as a value, which a file, a page or a notebook can show. */
import { encodePng16 } from "../io/png.ts";
import { encodeJpeg } from "../io/jpeg.ts";
import { settle } from "../core/options.ts";
import { forRaster } from "./layout.ts";
import { rasterise } from "./rasteriser.ts";

/** A drawing: SVG text with its pictures embedded, and words for those who cannot see it. */
export interface Sheet {
  /** Complete SVG text; pictures inside are data addresses. */
  readonly svg: string;
  /** Width in drawing units (CSS pixels). */
  readonly width: number;
  /** Height in drawing units. */
  readonly height: number;
  /** What the sheet shows, in a sentence or two, with its main numbers. */
  readonly alternativeText: string;
  /** Colour behind the drawing. */
  readonly background: string;
}

/** A picture that is already encoded. */
export interface EncodedPicture {
  /** File content. */
  readonly bytes: Uint8Array;
  /** Media type. */
  readonly type: "image/png" | "image/jpeg";
  /** Width in pixels. */
  readonly width: number;
  /** Height in pixels. */
  readonly height: number;
  /** What it shows. */
  readonly alternativeText: string;
}

/** Options of {@linkcode encodeSheet}. */
export interface EncodeSheetOptions {
  /** Pixels a drawing unit. */
  readonly zoom: number;
  /** `png` keeps every pixel; `jpeg` is a third of the size where a sheet is mostly photograph. */
  readonly format: "png" | "jpeg";
  /** Quality of a JPEG, 1 … 100. */
  readonly quality: number;
}

/** What {@linkcode encodeSheet} uses for an option left out. */
export const encodeSheetDefaults: EncodeSheetOptions = Object.freeze({ zoom: 1, format: "png", quality: 88 });

/** The sheet drawn last: it is often wanted in two formats, and drawing takes longer than encoding. */
let drawn: { readonly sheet: Sheet; readonly zoom: number; readonly raster: ReturnType<typeof rasterise> } | null =
  null;

function draw(sheet: Sheet, zoom: number): ReturnType<typeof rasterise> {
  if (drawn === null || drawn.sheet !== sheet || drawn.zoom !== zoom) {
    drawn = { sheet, zoom, raster: rasterise(forRaster(sheet.svg, zoom), zoom, sheet.background) };
  }
  return drawn.raster;
}

/**
 * A sheet as a picture file. The same sheet gives the same pixels on every machine: fonts come with the library.
 *
 * @throws {RangeError} if zoom is not above 0 or the picture would exceed 16384 pixels a side
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { table } from "faintlight";
 * import { encodeSheet } from "faintlight/view";
 *
 * const sheet = table([{ filter: "Ha", frames: 12 }], { title: "Frames" });
 * const picture = encodeSheet(sheet, { zoom: 2 });
 * assert.equal(picture.width, 2 * sheet.width);
 * ```
 */
export function encodeSheet(sheet: Sheet, options: Partial<EncodeSheetOptions> = {}): EncodedPicture {
  const { zoom, format, quality } = settle("encodeSheet", encodeSheetDefaults, options);
  const largest = zoom * Math.max(sheet.width, sheet.height);
  if (!(zoom > 0) || !(largest <= 16384)) {
    throw new RangeError(
      `encodeSheet: zoom must be above 0 and give at most 16384 pixels a side, but got ${zoom} for ` +
        `${sheet.width} × ${sheet.height}`,
    );
  }
  const { width, height, samples } = draw(sheet, zoom);
  const { alternativeText } = sheet;
  const source = { width, height, channels: 3 as const, samples };
  return format === "jpeg"
    ? { bytes: encodeJpeg(source, { quality }), type: "image/jpeg", width, height, alternativeText }
    : {
      bytes: encodePng16(source, { text: { Description: alternativeText } }),
      type: "image/png",
      width,
      height,
      alternativeText,
    };
}

/** An encoded picture as a data address for pages and drawings. */
export const dataAddress = (picture: Pick<EncodedPicture, "bytes" | "type">): string =>
  `data:${picture.type};base64,${base64(picture.bytes)}`;

/** Base64 of bytes, in pieces that fit an argument list. */
export function base64(bytes: Uint8Array): string {
  const parts: string[] = [];
  const piece = 3 * 8192;
  for (let at = 0; at < bytes.length; at += piece) {
    parts.push(btoa(String.fromCharCode(...bytes.subarray(at, at + piece))));
  }
  return parts.join("");
}
