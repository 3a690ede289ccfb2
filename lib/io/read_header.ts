/** The bytes of one header, however long it is, up to its END card. */
import { FrameError } from "../core/errors.ts";
import type { ByteSource } from "./byte_source.ts";
import { BLOCK, findEnd } from "./fits_cards.ts";

/** Bytes that are read first; most headers end within them. */
export const headerStep = 10 * BLOCK;

/** Longest header that is read, bytes: 57 600 cards, where cameras write a hundred and our histories some hundred. */
const maximumHeaderBytes = 1600 * BLOCK;

/** Which header is read. */
export interface HeaderPlace {
  /** The file as the caller named it. */
  readonly path: string;
  /** Number of the HDU, first 0. */
  readonly index: number;
  /** First byte of the header. */
  readonly start: number;
}

/**
 * The cards of a header as bytes, END left out.
 *
 * @param begun its first bytes; fewer than {@linkcode headerStep} where the file ends
 * @throws {FrameError} if the file ends, or the limit is reached, before an END card
 */
export function readHeader(source: ByteSource, { path, index, start }: HeaderPlace, begun: Uint8Array): Uint8Array {
  let bytes = begun;
  let whole = begun.length === headerStep;
  let end = findEnd(bytes);
  while (end < 0) {
    if (bytes.length >= maximumHeaderBytes) {
      throw new FrameError(
        path,
        "bad-card",
        `has more than ${maximumHeaderBytes / 80} cards in the header of HDU ${index}, before any END card`,
        "no camera writes so many; copy the file again or leave it out",
      );
    }
    if (!whole) {
      throw new FrameError(
        path,
        "truncated",
        `ends at byte ${start + bytes.length} inside the header of HDU ${index}, before its END card`,
        "the copy is incomplete; copy the file again",
      );
    }
    const more = new Uint8Array(bytes.length * 2);
    more.set(bytes);
    const got = source.readInto(more.subarray(bytes.length), start + bytes.length);
    whole = bytes.length + got === more.length;
    end = findEnd(more.subarray(0, bytes.length + got), bytes.length);
    bytes = more.subarray(0, bytes.length + got);
  }
  return bytes.subarray(0, end);
}
