/**
 * PNG (W3C PNG Specification, third edition): our own writer for 16-bit pictures with colour tags and a record.
 */
import zlib from "node:zlib";
import { allocateShared } from "../core/memory.ts";
import { type Image, requireDisplay } from "../core/image.ts";
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

/** First bytes of every PNG. */
export const pngSignature: Uint8Array = Uint8Array.of(0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a);
/**
 * Filtered bytes a strip: large enough that a strip's own Huffman table costs nothing, small enough to share out work.
 */
const stripBytes = 1 << 21;
/** Strips from which the pool is worth waking. */
const minimumPoolStrips = 4;
/** Texts longer than this are deflated; the specification advises it above 1024 bytes. */
const longTextBytes = 1024;

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
      "encodePng16: a text's keyword must be 1 to 79 Latin-1 characters with single spaces inside, but got " +
        `"${keyword}"`,
    );
  }
  const bytes = new TextEncoder().encode(text);
  const long = bytes.length > longTextBytes;
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
    pngSignature,
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

  const stripRows = Math.max(1, Math.floor(stripBytes / (width * channels * bits / 8 + 1)));
  const count = Math.ceil(height / stripRows);
  const inline = count < minimumPoolStrips;
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
