/** Images to FITS files: plain or tile-compressed, whole or not at all. */
import { type Card, card, type Header } from "../core/header.ts";
import type { Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { BLOCK, formatCards } from "./fits_cards.ts";
import { encodeSum, joinSums, sumBytes } from "./fits_sum.ts";
import { headerOfImage, recordCard } from "./image_cards.ts";
import { tileCards } from "./restored_header.ts";
import { encodeFloats, encodeIntegers, encodeRounded16 } from "./samples.ts";
import { packTiles, RICE_BLOCK, type TileCodec } from "./tile_table.ts";
import { writeWhole } from "./write_whole.ts";

/** Options of {@linkcode writeFits}. */
export interface WriteFitsOptions {
  /** Stored type: integers 8 (unsigned), 16, 32, floats −32, −64. Values are rounded to the nearest integer. */
  readonly bitpix: 8 | 16 | 32 | -32 | -64;
  /** Tile compression, a row a tile; Rice takes integers only. Nothing is lost in any of them. */
  readonly compress: TileCodec | null;
  /** Write DATASUM and CHECKSUM. */
  readonly checksum: boolean;
  /** Keep the history in the card FLRECORD, from which {@linkcode readFits} takes it up again. */
  readonly record: boolean;
  /** Write mask, variance and coverage, where the image has them, as extensions behind it. */
  readonly extras: boolean;
}

/** What {@linkcode writeFits} uses for an option left out. */
export const writeFitsDefaults: WriteFitsOptions = Object.freeze({
  bitpix: -32,
  compress: null,
  checksum: true,
  record: true,
  extras: true,
});

/** An image with the name of its extension, and options of its own. */
export interface FitsPart {
  /** EXTNAME. */
  readonly name: string;
  /** The image. */
  readonly image: Image;
  /** Stored type, that of the whole file when left out. */
  readonly bitpix?: WriteFitsOptions["bitpix"];
}

type Bitpix = WriteFitsOptions["bitpix"];

/** How values are stored. */
interface Stored {
  readonly bitpix: Bitpix;
  /** BZERO. */
  readonly zero: number;
  /** Stored integer for NaN, null when there is none. */
  readonly blank: number | null;
}

const ranges: Readonly<Record<8 | 16 | 32, readonly [number, number]>> = Object.freeze({
  8: [0, 255],
  16: [-32768, 32767],
  32: [-2147483648, 2147483647],
});

/**
 * Zero point and BLANK that let integers of this size hold the values, or an error that says which value does not fit.
 */
function chooseStored(planes: readonly Float32Array[], bitpix: Bitpix): Stored {
  if (bitpix < 0) return { bitpix, zero: 0, blank: null };
  let low = Infinity;
  let high = -Infinity;
  let missing = false;
  for (const data of planes) {
    for (let i = 0; i < data.length; i++) {
      const value = data[i];
      if (value < low) low = value;
      if (value > high) high = value;
      if (value !== value) missing = true;
    }
  }
  const [least, most] = ranges[bitpix as 8 | 16 | 32];
  low = low === Infinity ? 0 : Math.round(low);
  high = high === -Infinity ? 0 : Math.round(high);
  const half = bitpix === 8 ? 0 : most + 1;
  // 16-bit frames without negative values are unsigned whatever is in them, so that a night's frames are all alike
  const zero = bitpix === 16 ? low >= 0 ? half : 0 : high > most && low >= 0 ? half : 0;
  if (low < least + zero || high > most + zero) {
    throw new RangeError(
      `writeFits: values must lie within ${least + zero} to ${
        most + zero
      } for bitpix ${bitpix}, but reach from ${low} to ${high}; ` +
        `use a wider type or bitpix -32`,
    );
  }
  if (!missing) return { bitpix, zero, blank: null };
  const blank = high < most + zero ? most : low > least + zero ? least : null;
  if (blank === null) {
    throw new RangeError(
      `writeFits: a value must be free to stand for missing pixels, but all of ${least + zero} to ${
        most + zero
      } may occur; use bitpix -32`,
    );
  }
  return { bitpix, zero, blank };
}

/** Stored integers of some samples. */
function storedIntegers(
  data: Float32Array,
  from: number,
  count: number,
  { zero, blank }: Stored,
  out: Int32Array,
): void {
  if (blank === null) { for (let i = 0; i < count; i++) out[i] = Math.round(data[from + i]) - zero; }
  else {
    for (let i = 0; i < count; i++) {
      const value = data[from + i];
      out[i] = value !== value ? blank : Math.round(value) - zero;
    }
  }
}

function encode(data: Float32Array, from: number, count: number, stored: Stored, integers: Int32Array): Uint8Array {
  const { bitpix } = stored;
  if (bitpix === -32 || bitpix === -64) return encodeFloats(data, from, count, bitpix);
  if (bitpix === 16 && stored.blank === null) return encodeRounded16(data, from, count, stored.zero);
  storedIntegers(data, from, count, stored, integers);
  return encodeIntegers(integers, count, bitpix);
}

/** Samples encoded at a time. */
const CHUNK = 1 << 18;

function* plainData(planes: readonly Float32Array[], stored: Stored): Generator<Uint8Array> {
  const integers = new Int32Array(CHUNK);
  for (const data of planes) {
    for (let from = 0; from < data.length; from += CHUNK) {
      yield encode(data, from, Math.min(CHUNK, data.length - from), stored, integers);
    }
  }
}

/** Sum of a data unit whose pieces need not be multiples of four bytes. */
function sumPieces(pieces: Iterable<Uint8Array>): { sum: number; bytes: number } {
  let sum = 0;
  let bytes = 0;
  let carry = new Uint8Array(0);
  for (const piece of pieces) {
    bytes += piece.length;
    let part = piece;
    if (carry.length > 0) {
      part = new Uint8Array(carry.length + piece.length);
      part.set(carry);
      part.set(piece, carry.length);
    }
    const whole = part.length & ~3;
    sum = sumBytes(part.subarray(0, whole), sum);
    carry = part.slice(whole);
  }
  return { sum: sumBytes(carry, sum), bytes };
}

const structural = new RegExp(
  "^(SIMPLE|XTENSION|BITPIX|NAXIS\\d*|EXTEND|PCOUNT|GCOUNT|GROUPS|BLOCKED|BSCALE|BZERO|BLANK|CHECKSUM|DATASUM|" +
    `EXTNAME|INHERIT|TFIELDS|THEAP|${tileCards})$`,
);

/** A card the writer must set: the one of the image's header if it says the same already, so that it keeps its form. */
const kept = (header: Header) => (keyword: string, value: Card["value"], comment = ""): Card =>
  header.find((each) => each.keyword === keyword && Object.is(each.value, value)) ?? card(keyword, value, comment);

interface Unit {
  readonly image: Image;
  readonly name: string;
  readonly stored: Stored;
  readonly extra: readonly Card[];
}

/** Cards for the sums, and the header bytes they are true for. */
function withSums(cards: Header, dataSum: number | null): Uint8Array {
  if (dataSum === null) return formatCards(cards);
  const sums = (text: string) => [
    ...cards,
    card("CHECKSUM", text, "of this HDU; the sum is all ones"),
    card("DATASUM", String(dataSum), "of the data"),
  ];
  const empty = sumBytes(formatCards(sums("0".repeat(16))));
  return formatCards(sums(encodeSum(joinSums(empty, dataSum))));
}

const padding = (bytes: number): Uint8Array => new Uint8Array((BLOCK - bytes % BLOCK) % BLOCK);

function imageCards({ image, name, stored, extra }: Unit, compressed: boolean): { structure: Card[]; rest: Header } {
  const { width, height, planes } = image;
  const keep = kept(image.header);
  const axes = planes.length === 1 ? [width, height] : [width, height, planes.length];
  const { bitpix, zero, blank } = stored;
  const structure = [
    keep("BITPIX", bitpix, "bits a sample"),
    keep("NAXIS", axes.length, "axes"),
    ...axes.map((length, index) => keep(`NAXIS${index + 1}`, length, ["columns", "rows", "planes"][index])),
  ];
  const scaling = bitpix < 0 ? [] : [
    ...(zero === 0 ? [] : [keep("BSCALE", 1), keep("BZERO", zero, "unsigned integers")]),
    ...(blank === null ? [] : [keep("BLANK", blank, "no value")]),
  ];
  const own = headerOfImage(image, [...structure, ...scaling]).filter(({ keyword }) => !structural.test(keyword));
  const named = name === "" ? [] : [card("EXTNAME", name)];
  const title = compressed && name === "" ? [card("EXTNAME", "COMPRESSED_IMAGE")] : named;
  return { structure, rest: [...scaling, ...title, ...own, ...extra] };
}

function* plainHdu(unit: Unit, first: boolean, more: boolean, sums: boolean): Generator<Uint8Array> {
  const keep = kept(unit.image.header);
  const { structure, rest } = imageCards(unit, false);
  const planes = unit.image.planes.map((plane) => plane.data);
  const cards = [
    first ? keep("SIMPLE", true, "FITS Standard 4.0") : card("XTENSION", "IMAGE", "image extension"),
    ...structure,
    ...(first ? more ? [card("EXTEND", true, "extensions follow")] : [] : [card("PCOUNT", 0), card("GCOUNT", 1)]),
    ...rest,
  ];
  yield withSums(cards, sums ? sumPieces(plainData(planes, unit.stored)).sum : null);
  let bytes = 0;
  for (const piece of plainData(planes, unit.stored)) {
    bytes += piece.length;
    yield piece;
  }
  yield padding(bytes);
}

function* compressedHdu(unit: Unit, codec: TileCodec, sums: boolean): Generator<Uint8Array> {
  const { image, stored } = unit;
  const { width, height, planes } = image;
  const sampleSize = Math.abs(stored.bitpix) / 8;
  const integers = new Int32Array(width);
  const row = (tile: number): { data: Float32Array; from: number } => ({
    data: planes[Math.floor(tile / height)].data,
    from: (tile % height) * width,
  });
  const table = packTiles(codec, height * planes.length, sampleSize, {
    integers: (tile) => {
      const { data, from } = row(tile);
      storedIntegers(data, from, width, stored, integers);
      return integers;
    },
    bytes: (tile) => {
      const { data, from } = row(tile);
      return encode(data, from, width, stored, integers);
    },
  });
  const { structure, rest } = imageCards(unit, true);
  const axes = structure.length - 2;
  const cards: Card[] = [
    card("XTENSION", "BINTABLE", "tile-compressed image"),
    card("BITPIX", 8, "bits a sample"),
    card("NAXIS", 2, "axes"),
    card("NAXIS1", table.rowBytes, "bytes of a row"),
    card("NAXIS2", table.rows.length / table.rowBytes, "tiles"),
    card("PCOUNT", table.heapBytes, "bytes of the heap"),
    card("GCOUNT", 1),
    card("TFIELDS", 1),
    card("TTYPE1", "COMPRESSED_DATA", "packed tiles"),
    card("TFORM1", `1${table.rowBytes === 16 ? "Q" : "P"}B(${table.longest})`),
    card("ZIMAGE", true, "the table holds an image"),
    card("ZSIMPLE", true),
    ...structure.map((each) => card(`Z${each.keyword}`, each.value, each.comment)),
    ...Array.from({ length: axes }, (_, axis) => card(`ZTILE${axis + 1}`, axis === 0 ? width : 1, "size of a tile")),
    card("ZCMPTYPE", codec, "tile compression"),
    ...(codec === "RICE_1"
      ? [
        card("ZNAME1", "BLOCKSIZE"),
        card("ZVAL1", RICE_BLOCK, "integers that share a code"),
        card("ZNAME2", "BYTEPIX"),
        card("ZVAL2", sampleSize, "bytes of an integer"),
      ]
      : []),
    ...(stored.bitpix < 0 ? [card("ZQUANTIZ", "NONE", "floats as they are")] : []),
    ...rest,
  ];
  const pieces = [table.rows, ...table.heap];
  const dataBytes = table.rows.length + table.heapBytes;
  yield withSums(cards, sums ? sumPieces(pieces).sum : null);
  yield* pieces;
  yield padding(dataBytes);
}

/** Mask, variance and coverage as images of their own. */
function extrasOf(image: Image): Unit[] {
  const { width, height } = image;
  const blank = { ...image, header: [], mask: null, variance: null, coverage: null };
  const unit = (name: string, planes: readonly Float32Array[], bitpix: Bitpix): Unit => ({
    name: name.toUpperCase(),
    image: { ...blank, width, height, planes: planes.map((data) => ({ channel: "L", data })), unit: "adu" },
    stored: { bitpix, zero: 0, blank: null },
    extra: [card("FLPART", name, "belongs to the image before")],
  });
  const bare = (each: Unit): Unit => ({
    ...each,
    image: {
      ...each.image,
      geometry: { ...image.geometry, wcs: null, bayer: null, arcsecPerPixel: null, origin: { x: 0, y: 0 }, scale: 1 },
    },
  });
  return [
    ...(image.mask === null ? [] : [unit("mask", [Float32Array.from(image.mask)], 8)]),
    ...(image.variance === null ? [] : [unit("variance", image.variance, -32)]),
    ...(image.coverage === null ? [] : [unit("coverage", [image.coverage], -32)]),
  ].map(bare);
}

/** Bytes of a whole file, piece by piece. */
function* fileBytes(parts: readonly FitsPart[], options: WriteFitsOptions): Generator<Uint8Array> {
  const units = parts.flatMap(({ name, image, bitpix = options.bitpix }): Unit[] => [
    {
      image,
      name,
      stored: chooseStored(image.planes.map((plane) => plane.data), bitpix),
      extra: options.record || (options.extras && extrasOf(image).length > 0) ? [recordCard(image.history)] : [],
    },
    ...(options.extras ? extrasOf(image) : []),
  ]);
  if (options.compress !== null) {
    yield withSums([
      card("SIMPLE", true, "FITS Standard 4.0"),
      card("BITPIX", 8),
      card("NAXIS", 0, "the image is in the extension"),
      card("EXTEND", true),
    ], options.checksum ? 0 : null);
  }
  for (const [index, unit] of units.entries()) {
    const codec = options.compress === "RICE_1" && unit.stored.bitpix < 0 ? "GZIP_2" : options.compress;
    if (codec === null) yield* plainHdu(unit, index === 0, units.length > 1, options.checksum);
    else yield* compressedHdu(unit, codec, options.checksum);
  }
}

/**
 * Write an image, or several, to one FITS file. The file appears whole or not at all.
 *
 * One plane becomes a two-axis image, several a cube. Cards of the image's header that nothing has touched are written
 * byte for byte as they were read; those that describe structure, scaling, sums, and sky coordinates that changed, are
 * made true. 16-bit integers are unsigned (BZERO 32768) unless there are negative values; NaN becomes BLANK. Mask,
 * variance and coverage follow as extensions. The same image and options give the same bytes.
 *
 * Cost: one pass for the sum, one for the bytes; a few MB of memory uncompressed, the packed size compressed.
 *
 * @param path where the file goes; folders are made
 * @param content an image, or parts of which the first goes into the primary HDU
 * @param options stored type, compression, sums, record
 * @throws {RangeError} when values do not fit the stored type, or Rice is asked for floats
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { mkdtempSync, rmSync } from "node:fs";
 * import { tmpdir } from "node:os";
 * import { join } from "node:path";
 * import { constantImage, writeFits } from "faintlight";
 * import { openFits } from "faintlight/io";
 *
 * const folder = mkdtempSync(join(tmpdir(), "fits-"));
 * const path = join(folder, "a.fits");
 * writeFits(path, [
 *   { name: "", image: constantImage(4, 3, 0.5) },
 *   { name: "WEIGHT", image: constantImage(4, 3, 1) },
 * ]);
 * const file = openFits(path);
 * assert.deepEqual(file.hdus.map((hdu) => hdu.name), ["", "WEIGHT"]);
 * file.close();
 * rmSync(folder, { recursive: true });
 * ```
 */
export function writeFits(
  path: string,
  content: Image | readonly FitsPart[],
  options: Partial<WriteFitsOptions> = {},
): void {
  const used = settle("writeFits", writeFitsDefaults, options);
  const parts = "planes" in content ? [{ name: "", image: content }] : content;
  if (parts.length === 0) throw new RangeError("writeFits: content must have at least one part, but has none");
  if (![8, 16, 32, -32, -64].includes(used.bitpix)) {
    throw new RangeError(`writeFits: bitpix must be 8, 16, 32, -32 or -64, but got ${used.bitpix}`);
  }
  if (used.compress !== null && !["RICE_1", "GZIP_1", "GZIP_2"].includes(used.compress)) {
    throw new RangeError(`writeFits: compress must be RICE_1, GZIP_1, GZIP_2 or null, but got ${used.compress}`);
  }
  if (used.compress === "RICE_1" && parts.some(({ bitpix = used.bitpix }) => bitpix < 0)) {
    throw new RangeError(
      `writeFits: compress "RICE_1" must be used with integers, but bitpix is ${used.bitpix}; ` +
        "use GZIP_2, or bitpix 16 or 32",
    );
  }
  writeWhole(path, fileBytes(parts, used));
}
