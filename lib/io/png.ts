/**
 * PNG (W3C PNG Specification, third edition): our own writer for 16-bit pictures with colour tags and a record, and a
 * reader.
 */
import zlib from "node:zlib";
import { allocateShared } from "../core/memory.ts";
import { allocatePlane, createImage, type Image, requireDisplay } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { pack } from "../kernels/bands.ts";
import { parallelMap, type PoolTask } from "../parallel/pool.ts";
import { firstRowOnTop } from "./orientation.ts";
import { combineAdler, encodePngStrip, type PngStrip, type PngStripJob, stripRoom } from "./png_strip.ts";

/** Float planes to encode: one (gray) or three (red, green, blue), 0 is black and 1 is white. */
export interface PngPlanes {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Planes of width × height samples. */
  readonly planes: readonly Float32Array[];
}

/** Whole-number samples to encode as they are, pixel by pixel. */
export interface PngSamples {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Samples a pixel: 1 gray, 3 red, green, blue. */
  readonly channels: 1 | 3;
  /** width × height × channels samples; the array's kind gives the bit depth. */
  readonly samples: Uint8Array | Uint16Array;
}

/** Options of {@linkcode encodePng16}. */
export interface EncodePng16Options {
  /** Text (JSON) that tells how the picture was made; `readPngRecord` gives it back. `null` for none. */
  readonly record: string | null;
  /** Further texts by keyword, for example `{ Title: "Lantern Nebula" }`; any language. */
  readonly text: Readonly<Record<string, string>>;
  /** Bits a sample; ignored for whole-number samples, which have their own. */
  readonly bits: 8 | 16;
  /** Bits that carry meaning, when fewer than `bits`; `null` for all of them. */
  readonly significantBits: number | null;
  /** Pixels a metre for print; `null` writes none. */
  readonly pixelsPerMetre: number | null;
}

/** What {@linkcode encodePng16} uses for an option left out. */
export const encodePng16Defaults: EncodePng16Options = Object.freeze({
  record: null,
  text: Object.freeze({}),
  bits: 16,
  significantBits: null,
  pixelsPerMetre: null,
});

/** Keyword of the international text chunk that holds the record. */
export const pngRecordKeyword: string = "Faintlight record";

const SIGNATURE = Uint8Array.of(0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a);
/**
 * Filtered bytes a strip: large enough that a strip's own Huffman table costs nothing, small enough to share out work.
 */
const STRIP_BYTES = 1 << 21;
/** Strips from which the pool is worth waking. */
const POOL_STRIPS = 4;
/** Texts longer than this are deflated; the specification advises it above 1024 bytes. */
const LONG_TEXT_BYTES = 1024;

const latin1 = (text: string): Uint8Array => Uint8Array.from(text, (each) => each.charCodeAt(0));

/** A chunk: length, type, data, CRC-32 over type and data. */
function chunk(type: string, ...parts: readonly Uint8Array[]): Uint8Array {
  const length = parts.reduce((sum, part) => sum + part.length, 0);
  const out = new Uint8Array(12 + length);
  const view = new DataView(out.buffer);
  view.setUint32(0, length);
  out.set(latin1(type), 4);
  let at = 8;
  for (const part of parts) {
    out.set(part, at);
    at += part.length;
  }
  view.setUint32(at, zlib.crc32(out.subarray(4, at)));
  return out;
}

function uint32(...values: readonly number[]): Uint8Array {
  const out = new Uint8Array(4 * values.length);
  values.forEach((value, at) => new DataView(out.buffer).setUint32(4 * at, value));
  return out;
}

function textChunk(keyword: string, text: string): Uint8Array {
  if (!/^[\x21-\x7e\xa1-\xff]+( [\x21-\x7e\xa1-\xff]+)*$/.test(keyword) || keyword.length > 79) {
    throw new RangeError(
      `encodePng16: a text's keyword must be 1 to 79 Latin-1 characters with single spaces inside, but got "${keyword}"`,
    );
  }
  const bytes = new TextEncoder().encode(text);
  const long = bytes.length > LONG_TEXT_BYTES;
  // keyword, NUL, compression flag, method 0, empty language, NUL, empty translated keyword, NUL, text
  return chunk(
    "iTXt",
    latin1(keyword),
    Uint8Array.of(0, long ? 1 : 0, 0, 0, 0),
    long ? zlib.deflateSync(bytes) : bytes,
  );
}

interface Layout {
  readonly width: number;
  readonly height: number;
  readonly channels: number;
  readonly bits: 8 | 16;
  readonly planes: readonly (Float32Array | Uint8Array | Uint16Array)[];
  readonly topDown: boolean;
}

function layoutOf(source: Image | PngPlanes | PngSamples, bits: 8 | 16): Layout {
  const { width, height } = source;
  if (!(Number.isInteger(width) && Number.isInteger(height) && width > 0 && height > 0)) {
    throw new RangeError(`encodePng16: width and height must be whole numbers above 0, but got ${width} × ${height}`);
  }
  const expect = (what: string, length: number, wanted: number) => {
    if (length !== wanted) throw new RangeError(`encodePng16: ${what} must hold ${wanted} samples, but got ${length}`);
  };
  if ("samples" in source) {
    const { channels, samples } = source;
    if (channels !== 1 && channels !== 3) {
      throw new RangeError(`encodePng16: channels must be 1 or 3, but got ${channels}`);
    }
    expect("samples", samples.length, width * height * channels);
    return { width, height, channels, bits: samples instanceof Uint16Array ? 16 : 8, planes: [samples], topDown: true };
  }
  if ("unit" in source) requireDisplay("encodePng16", source);
  const planes = source.planes.map((plane) => "data" in plane ? plane.data : plane);
  if (planes.length !== 1 && planes.length !== 3) {
    throw new TypeError(`encodePng16: image must have 1 or 3 planes, but got ${planes.length}; choose or map channels`);
  }
  planes.forEach((plane, at) => expect(`plane ${at}`, plane.length, width * height));
  if (bits !== 8 && bits !== 16) throw new RangeError(`encodePng16: bits must be 8 or 16, but got ${bits}`);
  const topDown = !("unit" in source) || firstRowOnTop(source.header);
  return { width, height, channels: planes.length, bits, planes, topDown };
}

const stripTask: PoolTask<PngStripJob, PngStrip> = {
  module: new URL("./png_strip.ts", import.meta.url).href,
  name: "encodePngStrip",
  run: encodePngStrip,
};

/**
 * A picture as PNG bytes: 16 bits a sample unless asked otherwise, tagged as sRGB for new and old readers (`cICP`,
 * `sRGB`, `gAMA`, `cHRM`), with the record in an international text chunk.
 *
 * In: a display image or planes in 0 … 1, one plane (gray) or three (red, green, blue); or whole-number samples. The
 * first stored row is the top of the picture, unless the image's header says ROWORDER = 'BOTTOM-UP': then rows are
 * turned round, so that nothing is mirrored. Values are rounded to the nearest code (q = round(65535 v)), those
 * outside are clamped, NaN (no data) becomes 0. The compressed bytes do not depend on the number of workers, but on
 * the zlib that Deno or Node brings; the decoded samples never do. Cost: about 60 ms a megapixel of three 16-bit
 * channels on one processor; strips run in parallel.
 *
 * @param source what to encode
 * @param options record, texts, bit depth
 * @throws {TypeError} if the image is linear or has neither one nor three planes
 * @throws {RangeError} if an array has the wrong length or a keyword is not allowed
 *
 * Source: W3C PNG Specification, third edition (2025), sections 7, 9 and 11; sRGB code points of ITU-T H.273 (1, 13,
 * 0, full range).
 *
 * @example The record comes back
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage } from "faintlight";
 * import { decodePng, encodePng16, readPngRecord } from "faintlight/io";
 *
 * const bytes = encodePng16(constantImage(3, 2, 0.5, { unit: "display" }), { record: '{"steps":[]}' });
 * assert.equal(readPngRecord(bytes), '{"steps":[]}');
 * assert.equal(decodePng(bytes).samples[0], 32768);
 * ```
 */
export function encodePng16(
  source: Image | PngPlanes | PngSamples,
  options: Partial<EncodePng16Options> = {},
): Uint8Array {
  const used = settle("encodePng16", encodePng16Defaults, options);
  const { width, height, channels, bits, planes, topDown } = layoutOf(source, used.bits);
  const { significantBits, pixelsPerMetre, record, text } = used;
  const parts: Uint8Array[] = [
    SIGNATURE,
    chunk("IHDR", uint32(width, height), Uint8Array.of(bits, channels === 1 ? 0 : 2, 0, 0, 0)),
    chunk("cICP", Uint8Array.of(1, 13, 0, 1)),
    chunk("sRGB", Uint8Array.of(0)),
    chunk("gAMA", uint32(45455)),
    chunk("cHRM", uint32(31270, 32900, 64000, 33000, 30000, 60000, 15000, 6000)),
  ];
  if (significantBits !== null) {
    if (!(Number.isInteger(significantBits) && significantBits > 0 && significantBits <= bits)) {
      throw new RangeError(`encodePng16: significantBits must be 1 … ${bits}, but got ${significantBits}`);
    }
    parts.push(chunk("sBIT", new Uint8Array(channels).fill(significantBits)));
  }
  if (pixelsPerMetre !== null) {
    if (!(pixelsPerMetre > 0)) {
      throw new RangeError(`encodePng16: pixelsPerMetre must be > 0, but got ${pixelsPerMetre}`);
    }
    const whole = Math.round(pixelsPerMetre);
    parts.push(chunk("pHYs", uint32(whole, whole), Uint8Array.of(1)));
  }
  for (const keyword of Object.keys(text).sort()) parts.push(textChunk(keyword, text[keyword]));
  if (record !== null) parts.push(textChunk(pngRecordKeyword, record));

  const stripRows = Math.max(1, Math.floor(STRIP_BYTES / (width * channels * bits / 8 + 1)));
  const count = Math.ceil(height / stripRows);
  const inline = count < POOL_STRIPS;
  const floats = planes[0] instanceof Float32Array;
  const bare = (plane: Layout["planes"][number]) =>
    plane instanceof Uint16Array ? new Uint8Array(plane.buffer, plane.byteOffset, plane.byteLength) : plane;
  const packed = planes.map((plane) => inline ? bare(plane) : pack(bare(plane)));
  const room = stripRoom(stripRows * (width * channels * bits / 8 + 1));
  const bytes = inline
    ? new Uint8Array(count * room)
    : new Uint8Array(allocateShared(count * room, true), 0, count * room);
  const shared = inline ? bytes : pack(bytes);
  const jobs = Array.from({ length: count }, (_, at): PngStripJob => ({
    planes: packed,
    floats,
    width,
    bottomRow: topDown ? -1 : height - 1,
    channels,
    bits,
    firstRow: at * stripRows,
    endRow: Math.min(height, (at + 1) * stripRows),
    last: at === count - 1,
    out: shared,
    outAt: at * room,
  }));
  const strips = parallelMap(stripTask, jobs, { label: "writing PNG", inline });
  const adler = strips.reduce((sum, strip) => combineAdler(sum, strip.adler, strip.length), 1);
  strips.forEach((strip, at) => {
    const begin = at === 0 ? Uint8Array.of(0x78, 0x01) : new Uint8Array(0); // deflate, 32 KiB window
    const end = at === strips.length - 1 ? uint32(adler) : new Uint8Array(0);
    parts.push(chunk("IDAT", begin, bytes.subarray(at * room, at * room + strip.packed), end));
  });
  parts.push(chunk("IEND"));

  const out = new Uint8Array(parts.reduce((sum, part) => sum + part.length, 0));
  let at = 0;
  for (const part of parts) {
    out.set(part, at);
    at += part.length;
  }
  return out;
}

/** Chunks of a PNG in order; refuses what is no PNG, is cut short or has a wrong CRC. */
function* chunksOf(step: string, given: Uint8Array): Generator<{ readonly type: string; readonly data: Uint8Array }> {
  // a Buffer of node:fs cuts views where a Uint8Array copies: its slice() would show the wrong bytes behind `.buffer`
  const bytes = new Uint8Array(given.buffer, given.byteOffset, given.byteLength);
  if (!SIGNATURE.every((byte, at) => bytes[at] === byte)) {
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

/** Keyword and text of a tEXt, zTXt or iTXt chunk. */
function textOf(type: string, data: Uint8Array): readonly [string, string] | null {
  if (type !== "tEXt" && type !== "zTXt" && type !== "iTXt") return null;
  const zero = (from: number) => data.indexOf(0, from);
  const plain = (bytes: Uint8Array) => Array.from(bytes, (byte) => String.fromCharCode(byte)).join("");
  const end = zero(0);
  const keyword = plain(data.subarray(0, end));
  if (type === "tEXt") return [keyword, plain(data.subarray(end + 1))];
  if (type === "zTXt") return [keyword, plain(zlib.inflateSync(data.subarray(end + 2)))];
  const body = data.subarray(zero(zero(end + 3) + 1) + 1);
  return [keyword, new TextDecoder().decode(data[end + 1] === 1 ? zlib.inflateSync(body) : body)];
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
  const text: Record<string, string> = {};
  let head = new DataView(new ArrayBuffer(13));
  let palette = new Uint8Array(0);
  let alpha = new Uint8Array(0);
  let codePoints: readonly number[] | null = null;
  for (const { type, data } of chunksOf("decodePng", bytes)) {
    if (type === "IHDR") head = new DataView(data.slice().buffer);
    else if (type === "PLTE") palette = data.slice();
    else if (type === "tRNS") alpha = data.slice();
    else if (type === "IDAT") packed.push(data);
    else if (type === "cICP") codePoints = [...data];
    const found = textOf(type, data);
    if (found !== null) text[found[0]] = found[1];
  }
  const width = head.getUint32(0);
  const height = head.getUint32(4);
  const [depth, colour, , , interlace] = [8, 9, 10, 11, 12].map((at) => head.getUint8(at));
  const stored = ({ 0: 1, 2: 3, 3: 1, 4: 2, 6: 4 } as Readonly<Record<number, 1 | 2 | 3 | 4>>)[colour];
  if (width === 0 || height === 0 || stored === undefined) {
    throw refuse(`header must name a size and a colour type, but got ${width} × ${height}, type ${colour}`);
  }
  if (interlace !== 0) throw refuse("picture must not be interlaced, but it is; save it again without");
  const rowBytes = Math.ceil(width * stored * depth / 8);
  const joined = new Uint8Array(packed.reduce((sum, part) => sum + part.length, 0));
  packed.reduce((at, part) => (joined.set(part, at), at + part.length), 0);
  const raw = new Uint8Array(zlib.inflateSync(joined));
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
