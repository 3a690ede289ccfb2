/** A reader of PNG (W3C PNG Specification, third edition), and of the record in its text. */
import zlib from "node:zlib";
import { allocatePlane, createImage, type Image } from "../core/image.ts";
import { pngRecordKeyword, pngSignature } from "./png.ts";

/** Chunks of a PNG in order; refuses what is no PNG, is cut short or has a wrong CRC. */
function* chunksOf(step: string, given: Uint8Array): Generator<{ readonly type: string; readonly data: Uint8Array }> {
  // a Buffer of node:fs cuts views where a Uint8Array copies: its slice() would show the wrong bytes behind `.buffer`
  const bytes = new Uint8Array(given.buffer, given.byteOffset, given.byteLength);
  if (!pngSignature.every((byte, at) => bytes[at] === byte)) {
    throw new TypeError(`${step}: bytes must start with the PNG signature, but got ${[...bytes.subarray(0, 8)]}`);
  }
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  for (let at = 8; at < bytes.length;) {
    const length = at + 12 <= bytes.length ? view.getUint32(at) : Infinity;
    if (at + 12 + length > bytes.length) {
      throw new RangeError(`${step}: chunk at byte ${at} must end within ${bytes.length} bytes, but is cut short`);
    }
    const type = String.fromCharCode(...bytes.subarray(at + 4, at + 8));
    const data = bytes.subarray(at + 8, at + 8 + length);
    const crc = zlib.crc32(bytes.subarray(at + 4, at + 8 + length));
    const stored = view.getUint32(at + 8 + length);
    if (crc !== stored) {
      throw new RangeError(`${step}: CRC of chunk ${type} must be ${crc.toString(16)}, but got ${stored.toString(16)}`);
    }
    yield { type, data };
    if (type === "IEND") return;
    at += 12 + length;
  }
  throw new RangeError(`${step}: the last chunk must be IEND, but the bytes end before it`);
}

/** Most bytes that a text in a picture may unpack to: a record of a thousand frames has some two million. */
const maximumTextBytes = 64 * 2 ** 20;

/** Bytes that may follow the samples. */
const pixelReserve = 2 ** 16;

/**
 * Unpacked bytes, at most so many.
 *
 * @param what what they are, as a sentence begins
 * @param rule what they must and do not when there are more, as the sentence goes on
 */
function inflated(data: Uint8Array, most: number, what: string, rule: string): Uint8Array {
  try {
    return zlib.inflateSync(data, { maxOutputLength: most });
  } catch (cause) {
    const { code, message } = cause as { readonly code?: unknown; readonly message: string };
    const fact = code === "ERR_BUFFER_TOO_LARGE" ? rule : `be zlib data, but cannot be unpacked (${message})`;
    throw new RangeError(`decodePng: ${what} must ${fact}`, { cause });
  }
}

const inflatedText = (data: Uint8Array): Uint8Array =>
  inflated(data, maximumTextBytes, "a text", `unpack to at most ${maximumTextBytes} bytes, but holds more`);

/** The samples as stored; what lies beyond them is not unpacked. */
function inflatedPixels(joined: Uint8Array, expected: number): Uint8Array {
  const most = expected + pixelReserve;
  // a copy: the filters are undone in place
  return new Uint8Array(
    inflated(joined, most, "pixel data", `hold ${expected} bytes, but hold more than ${most}`),
  );
}

/** Keyword and text of a tEXt, zTXt or iTXt chunk. */
function textOf(type: string, data: Uint8Array): readonly [string, string] | null {
  if (type !== "tEXt" && type !== "zTXt" && type !== "iTXt") return null;
  const zero = (from: number) => data.indexOf(0, from);
  const plain = (bytes: Uint8Array) => Array.from(bytes, (byte) => String.fromCharCode(byte)).join("");
  const end = zero(0);
  const keyword = plain(data.subarray(0, end));
  if (type === "tEXt") return [keyword, plain(data.subarray(end + 1))];
  if (type === "zTXt") return [keyword, plain(inflatedText(data.subarray(end + 2)))];
  const body = data.subarray(zero(zero(end + 3) + 1) + 1);
  return [keyword, new TextDecoder().decode(data[end + 1] === 1 ? inflatedText(body) : body)];
}

/**
 * The record that {@linkcode encodePng16} put into a picture, or `null` when it has none. Pixels are not decoded.
 *
 * @throws {TypeError} if the bytes are no PNG
 * @throws {RangeError} if they are cut short or damaged
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { encodePng16, readPngRecord } from "faintlight/io";
 *
 * assert.equal(readPngRecord(encodePng16(constantImage(1, 1, 0, { unit: "display" }))), null);
 * ```
 */
export function readPngRecord(bytes: Uint8Array): string | null {
  for (const { type, data } of chunksOf("readPngRecord", bytes)) {
    const found = textOf(type, data);
    if (found !== null && found[0] === pngRecordKeyword) return found[1];
  }
  return null;
}

/** A decoded PNG. */
export interface DecodedPng {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Samples a pixel: 1 gray, 2 gray and alpha, 3 colour, 4 colour and alpha. A palette is resolved to 3 or 4. */
  readonly channels: 1 | 2 | 3 | 4;
  /** Bits a sample, 8 or 16; smaller depths are scaled up to 8. */
  readonly bits: 8 | 16;
  /** Samples pixel by pixel, first row first. */
  readonly samples: Uint8Array | Uint16Array;
  /** Texts by keyword. */
  readonly text: Readonly<Record<string, string>>;
  /** H.273 code points of the colour encoding (`cICP`), when stated. */
  readonly codePoints: readonly number[] | null;
}

/** Depths that go with each colour type (PNG specification, table 8), and samples a pixel as stored. */
const colourTypes: Readonly<Record<number, { readonly depths: readonly number[]; readonly stored: 1 | 2 | 3 | 4 }>> = {
  0: { depths: [1, 2, 4, 8, 16], stored: 1 },
  2: { depths: [8, 16], stored: 3 },
  3: { depths: [1, 2, 4, 8], stored: 1 },
  4: { depths: [8, 16], stored: 2 },
  6: { depths: [8, 16], stored: 4 },
};

/** Chunks without which a picture cannot be read, and those of them that there is a reader for. */
const isCritical = (type: string): boolean => /^[A-Z]/.test(type);
const knownCritical: readonly string[] = ["IHDR", "PLTE", "IDAT", "IEND"];

/** Size and form of a picture. */
function readHead(data: Uint8Array, refuse: (what: string) => Error) {
  if (data.length !== 13) throw refuse(`first chunk must be a header of 13 bytes, but is not`);
  const head = new DataView(data.buffer, data.byteOffset, data.byteLength);
  const [width, height] = [head.getUint32(0), head.getUint32(4)];
  const [depth, colour, packing, filters, interlace] = data.subarray(8);
  const { depths, stored } = colourTypes[colour] ?? { depths: [], stored: 1 };
  if (width === 0 || height === 0 || !depths.includes(depth)) {
    throw refuse(
      `header must name a size and a colour type, but got ${width} × ${height}, type ${colour} of ${depth} bits`,
    );
  }
  if (packing !== 0 || filters !== 0) {
    throw refuse("compression and filters must be those of the standard, but are not");
  }
  if (interlace !== 0) throw refuse("picture must not be interlaced, but it is; save it again without");
  return { width, height, depth, colour, stored };
}

/** Undo the row filters in place; `rows` are `rowBytes` long behind one filter byte each. */
function unfilter(data: Uint8Array, rows: number, rowBytes: number, step: number): void {
  for (let y = 0; y < rows; y++) {
    const at = y * (rowBytes + 1) + 1;
    const up = at - rowBytes - 1;
    const kind = data[at - 1];
    if (kind > 4) throw new RangeError(`decodePng: filter of row ${y} must be 0 … 4, but got ${kind}`);
    for (let i = 0; kind !== 0 && i < rowBytes; i++) {
      const a = i >= step ? data[at + i - step] : 0;
      const b = y > 0 ? data[up + i] : 0;
      if (kind === 1) data[at + i] += a;
      else if (kind === 2) data[at + i] += b;
      else if (kind === 3) data[at + i] += (a + b) >> 1;
      else {
        const c = i >= step && y > 0 ? data[up + i - step] : 0;
        const byA = Math.abs(b - c);
        const byB = Math.abs(a - c);
        const byC = Math.abs(a + b - 2 * c);
        data[at + i] += byA <= byB && byA <= byC ? a : byB <= byC ? b : c;
      }
    }
  }
}

/**
 * The samples and texts of a PNG: every colour type and depth, without interlace.
 *
 * @throws {TypeError} if the bytes are no PNG
 * @throws {RangeError} if they are cut short, damaged or interlaced
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { decodePng, encodePng16 } from "faintlight/io";
 *
 * const samples = Uint16Array.of(0, 1, 65535);
 * assert.deepEqual(decodePng(encodePng16({ width: 3, height: 1, channels: 1, samples })).samples, samples);
 * ```
 */
export function decodePng(bytes: Uint8Array): DecodedPng {
  const refuse = (what: string) => new RangeError(`decodePng: ${what}`);
  const packed: Uint8Array[] = [];
  const text: Record<string, string> = Object.create(null);
  let head: ReturnType<typeof readHead> | null = null;
  let palette = new Uint8Array(0);
  let alpha = new Uint8Array(0);
  let codePoints: readonly number[] | null = null;
  for (const { type, data } of chunksOf("decodePng", bytes)) {
    if (head === null) head = readHead(type === "IHDR" ? data : new Uint8Array(0), refuse);
    else if (isCritical(type) && (type === "IHDR" || !knownCritical.includes(type))) {
      throw refuse(`chunk ${JSON.stringify(type)} must not be there, but is`);
    } else if (type === "PLTE") palette = data.slice();
    else if (type === "tRNS") alpha = data.slice();
    else if (type === "IDAT") packed.push(data);
    else if (type === "cICP") codePoints = [...data];
    const found = textOf(type, data);
    if (found !== null) text[found[0]] = found[1];
  }
  if (head === null) throw refuse("picture must have a header, but has none");
  const { width, height, depth, colour, stored } = head;
  const rowBytes = Math.ceil(width * stored * depth / 8);
  const joined = new Uint8Array(packed.reduce((sum, part) => sum + part.length, 0));
  packed.reduce((at, part) => (joined.set(part, at), at + part.length), 0);
  const raw = inflatedPixels(joined, height * (rowBytes + 1));
  if (raw.length < height * (rowBytes + 1)) {
    throw refuse(`pixel data must hold ${height * (rowBytes + 1)} bytes, but got ${raw.length}`);
  }
  unfilter(raw, height, rowBytes, Math.max(1, stored * depth / 8));

  const bits = depth === 16 ? 16 : 8;
  const channels = colour === 3 ? (alpha.length > 0 ? 4 : 3) : stored;
  const samples = bits === 16 ? new Uint16Array(width * height * channels) : new Uint8Array(width * height * channels);
  const scale = colour === 3 ? 1 : 255 / (2 ** depth - 1);
  for (let y = 0, to = 0; y < height; y++) {
    const at = y * (rowBytes + 1) + 1;
    for (let i = 0; i < width * stored; i++) {
      if (depth === 16) samples[to++] = raw[at + 2 * i] * 256 + raw[at + 2 * i + 1];
      else if (depth === 8 && colour !== 3) samples[to++] = raw[at + i];
      else {
        const bit = i * depth;
        const value = (raw[at + (bit >> 3)] >> (8 - depth - (bit & 7))) & (2 ** depth - 1);
        if (colour !== 3) samples[to++] = value * scale;
        else {
          if (3 * value + 3 > palette.length) throw refuse(`palette must have a colour ${value}, but has not`);
          for (let c = 0; c < 3; c++) samples[to++] = palette[3 * value + c];
          if (channels === 4) samples[to++] = alpha[value] ?? 255;
        }
      }
    }
  }
  return { width, height, channels, bits, samples, text, codePoints };
}

/**
 * A PNG as an image of unit `display`, samples in 0 … 1, channels `L` or `R`, `G`, `B`; alpha is left out.
 *
 * @throws {TypeError} if the bytes are no PNG
 * @throws {RangeError} if they are cut short, damaged or interlaced
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { encodePng16, imageFromPng } from "faintlight/io";
 *
 * const bytes = encodePng16({ width: 1, height: 1, channels: 3, samples: Uint8Array.of(255, 0, 51) });
 * assert.deepEqual(imageFromPng(bytes).planes.map((plane) => plane.data[0]), [1, 0, Math.fround(0.2)]);
 * ```
 */
export function imageFromPng(bytes: Uint8Array): Image {
  const { width, height, channels, bits, samples } = decodePng(bytes);
  const names = channels < 3 ? ["L"] : ["R", "G", "B"];
  const top = bits === 16 ? 65535 : 255;
  const planes = names.map((channel, c) => {
    const data = allocatePlane(width, height);
    for (let i = 0, at = c; i < data.length; i++, at += channels) data[i] = samples[at] / top;
    return { channel, data };
  });
  return createImage({ width, height, planes, unit: "display" }, { step: "imageFromPng", options: { bits } });
}
