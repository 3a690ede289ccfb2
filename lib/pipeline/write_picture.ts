/** A finished picture as a file to keep or to show around. */
import { type Image, requireDisplay } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { encodeJpeg } from "../io/jpeg.ts";
import { encodePng16 } from "../io/png.ts";
import { writeWhole } from "../io/write_whole.ts";
import { captionPicture, type PictureCaption } from "../view/caption_picture.ts";

/** Options of {@linkcode writePicture}. */
export interface WritePictureOptions {
  /** Text (JSON) that tells how the picture was made, for a PNG; null for none. */
  readonly record: string | null;
  /** What stands below the picture: object, filters, exposure, scale bar; null for the bare picture. */
  readonly caption: Partial<PictureCaption> | null;
  /** Bits a sample of a bare PNG. */
  readonly bits: 8 | 16;
  /** Quality of a JPEG, 1 … 100. */
  readonly quality: number;
}

/** What {@linkcode writePicture} uses for an option left out. */
export const writePictureDefaults: WritePictureOptions = Object.freeze({
  record: null,
  caption: null,
  bits: 16,
  quality: 91,
});

/** A captioned picture keeps its size: the longer side is not limited. */
const anyLength = 1e6;

/**
 * Write a picture: PNG or JPEG by the name's ending. A caption goes below it; a record goes into a PNG.
 *
 * @param path ends in `.png`, `.jpg` or `.jpeg`
 * @throws {TypeError} if the image is linear
 * @throws {RangeError} if the name has another ending, or a record is wanted where there is no place for it
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, writePicture } from "faintlight";
 *
 * const picture = constantImage(4, 3, 0.5, { unit: "display" });
 * assert.throws(() => writePicture("picture.tif", picture), /must end in .png, .jpg or .jpeg/);
 * ```
 */
export function writePicture(path: string, image: Image, options: Partial<WritePictureOptions> = {}): void {
  const { record, caption, bits, quality } = settle("writePicture", writePictureDefaults, options);
  requireDisplay("writePicture", image);
  const ending = /\.(png|jpe?g)$/i.exec(path)?.[1].toLowerCase();
  if (ending === undefined) {
    throw new RangeError(`writePicture: path must end in .png, .jpg or .jpeg, but got ${path}`);
  }
  const format = ending === "png" ? "png" : "jpeg";
  if (record !== null && (format === "jpeg" || caption !== null)) {
    throw new RangeError("writePicture: a record must go into a PNG without caption, but got both; leave one away");
  }
  if (caption !== null) {
    writeWhole(path, captionPicture(image, caption, { longerSide: anyLength, format, quality }).bytes);
  } else writeWhole(path, format === "png" ? encodePng16(image, { record, bits }) : encodeJpeg(image, { quality }));
}
