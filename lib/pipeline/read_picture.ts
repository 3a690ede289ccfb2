/** A picture from a file, with the record of how it was made. */
import type { Image } from "../core/image.ts";
import { readBytes } from "../io/digest_files.ts";
import { imageFromPng, readPngRecord } from "../io/decode_png.ts";

/** A picture and its record. */
export interface Picture {
  /** The picture, unit `display`. */
  readonly image: Image;
  /** How it was made, as text (JSON); null when it does not say. */
  readonly record: string | null;
}

/** What a PNG holds, or an error that names the file. */
export function fromPng<T>(name: string, read: () => T): T {
  try {
    return read();
  } catch (cause) {
    const fact = (cause as Error).message.replace(/^\w+: /, "");
    throw new SyntaxError(`${name}: cannot be read as a picture, because ${fact}; save or copy it again`, { cause });
  }
}

/**
 * Read a PNG picture of 8 or 16 bits, grey or colour, as an image with its record.
 *
 * @throws {SyntaxError} if it is no PNG
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { mkdtempSync, rmSync } from "node:fs";
 * import { tmpdir } from "node:os";
 * import { join } from "node:path";
 * import { constantImage, readPicture, writePicture } from "faintlight";
 *
 * const path = join(mkdtempSync(join(tmpdir(), "picture-")), "grey.png");
 * writePicture(path, constantImage(4, 3, 1, { unit: "display" }), { record: "{}" });
 * const { image, record } = readPicture(path);
 * assert.deepEqual([image.width, image.planes[0].data[0], record], [4, 1, "{}"]);
 * rmSync(path);
 * ```
 */
export function readPicture(path: string): Picture {
  const bytes = readBytes(path);
  return fromPng(path, () => Object.freeze({ image: imageFromPng(bytes), record: readPngRecord(bytes) }));
}
