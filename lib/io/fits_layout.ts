/** From a header to where the samples lie: sizes, scaling, tiles (FITS 4.0 sections 4.4, 7 and 10). */
import { FrameError } from "../core/errors.ts";
import { type Card, card, cardNumber, type CardValue, cardValue, type Header } from "../core/header.ts";
import { type Bitpix, isBitpix, sampleBytes, type Scaling } from "./samples.ts";

/** A column of a table of tiles. */
export interface TileColumn {
  /** Byte of the column in its row. */
  readonly offset: number;
  /** Type letter of the column; for descriptors the type of what they point to. */
  readonly type: string;
  /** Bytes of a count or a position of a descriptor: 4 (P), 8 (Q), 0 for a plain column. */
  readonly descriptor: 0 | 4 | 8;
}

/** How the tiles of a compressed image are stored. Plain data, so that it can be handed to another thread. */
export interface TileLayout {
  /** ZCMPTYPE. */
  readonly codec: "RICE_1" | "GZIP_1" | "GZIP_2" | "PLIO_1" | "HCOMPRESS_1" | "NOCOMPRESS";
  /** Tile size along each axis. */
  readonly tile: readonly number[];
  /** Bytes of a table row. */
  readonly rowBytes: number;
  /** Rows of the table, one a tile. */
  readonly rows: number;
  /** Byte of the heap, counted from the start of the data. */
  readonly heap: number;
  /** Columns of the table by name. */
  readonly columns: Readonly<Record<string, TileColumn>>;
  /** ZSCALE of all tiles where it is a card; null where it is a column or absent. */
  readonly scale: number | null;
  /** ZZERO, likewise. */
  readonly zero: number | null;
  /** ZBLANK, likewise. */
  readonly blank: number | null;
  /** Whether floats were turned into integers, and how. */
  readonly quantised: "none" | "plain" | "dither1" | "dither2";
  /** ZDITHER0. */
  readonly seed: number;
  /** Bytes of a Rice integer. */
  readonly riceBytes: 1 | 2 | 4;
  /** Integers a Rice block. */
  readonly riceBlock: number;
  /** Whether HCOMPRESS_1 tiles are smoothed. */
  readonly smooth: boolean;
}

/** Where the samples of one HDU lie. Plain data, so that it can be handed to another thread. */
export interface SampleLayout {
  /** The file, for messages. */
  readonly path: string;
  /** Number of the HDU, first 0. */
  readonly hdu: number;
  /** Length of each axis. */
  readonly axes: readonly number[];
  /** Columns; axis 1. */
  readonly width: number;
  /** Rows; axis 2, 1 when there is none. */
  readonly height: number;
  /** Planes; all further axes. */
  readonly planes: number;
  /** BITPIX of the image. */
  readonly bitpix: Bitpix;
  /** How stored numbers become values. */
  readonly scaling: Scaling;
  /** Byte of the file where the data unit starts. */
  readonly dataStart: number;
  /** Bytes of the data unit without padding. */
  readonly dataBytes: number;
  /** Tiles; null when the samples are stored as they are. */
  readonly tiles: TileLayout | null;
}

/** What an HDU is. */
export type HduKind = "image" | "empty" | "table" | "other";

/** One header and data unit. */
export interface FitsHdu {
  /** Number in the file, first 0. */
  readonly index: number;
  /** `image` also for tile-compressed ones; `empty` has a header only. */
  readonly kind: HduKind;
  /** EXTNAME, `""` without. */
  readonly name: string;
  /** Cards, for a tile-compressed image those of the image it stands for. */
  readonly header: Header;
  /** Columns, 0 without an image. */
  readonly width: number;
  /** Rows, 0 without an image. */
  readonly height: number;
  /** Planes, 0 without an image. */
  readonly planes: number;
  /** Name of the tile compression, null when the samples are stored as they are. */
  readonly compression: string | null;
  /** Oddities that were tolerated. */
  readonly notes: readonly string[];
}

/** An HDU with its place in the file. */
export interface PlacedHdu extends FitsHdu {
  /** Cards as stored, also of the table behind a compressed image. */
  readonly stored: Header;
  /** Byte of the first card. */
  readonly start: number;
  /** Byte of the data unit. */
  readonly dataStart: number;
  /** Bytes of the data unit without padding. */
  readonly dataBytes: number;
  /** The samples, null when there are none. */
  readonly layout: SampleLayout | null;
}

const typeBytes: Readonly<Record<string, number>> = Object.freeze({
  L: 1,
  B: 1,
  A: 1,
  I: 2,
  J: 4,
  K: 8,
  E: 4,
  D: 8,
  C: 8,
  M: 16,
  P: 8,
  Q: 16,
});

/** Reads cards of one HDU and complains with the file's name. */
class Reader {
  readonly path: string;
  readonly hdu: number;
  readonly header: Header;

  constructor(path: string, hdu: number, header: Header) {
    this.path = path;
    this.hdu = hdu;
    this.header = header;
  }
  fail(keyword: string, value: CardValue | undefined, rule: string): FrameError {
    const got = value === undefined ? "is missing" : `is ${typeof value === "string" ? `'${value}'` : String(value)}`;
    return new FrameError(
      this.path,
      "bad-card",
      `card ${keyword} of HDU ${this.hdu} must ${rule}, but ${got}`,
      "the header is damaged; copy the file again",
    );
  }
  /** A whole number that must be there. */
  count(keyword: string): number {
    const value = cardValue(this.header, keyword);
    if (typeof value !== "number" || !Number.isInteger(value) || value < 0) {
      throw this.fail(keyword, value, "be a whole number of at least 0");
    }
    return value;
  }
  /** A whole number with a value when it is absent. */
  optionalCount(keyword: string, otherwise: number): number {
    return cardValue(this.header, keyword) === undefined ? otherwise : this.count(keyword);
  }
  bitpix(keyword: string): Bitpix {
    const value = cardValue(this.header, keyword);
    if (!isBitpix(value)) throw this.fail(keyword, value, "be 8, 16, 32, 64, -32 or -64");
    return value;
  }
  axes(prefix: string): number[] {
    const count = this.count(prefix);
    if (count > 999) throw this.fail(prefix, count, "be at most 999");
    return Array.from({ length: count }, (_, index) => this.count(`${prefix}${index + 1}`));
  }
  scaling(bitpix: Bitpix): Scaling {
    const blank = cardValue(this.header, "BLANK");
    const scale = cardNumber(this.header, "BSCALE") ?? 1;
    const zero = cardNumber(this.header, "BZERO") ?? 0;
    if (scale === 0) throw this.fail("BSCALE", 0, "not be 0");
    const usable = bitpix > 0 && (typeof blank === "number" || typeof blank === "bigint");
    return { scale, zero, blank: usable ? blank : null };
  }
}

const product = (numbers: readonly number[]): number => numbers.reduce((sum, each) => sum * each, 1);

function columnsOf(reader: Reader): Record<string, TileColumn> {
  const columns: Record<string, TileColumn> = {};
  const fields = reader.count("TFIELDS");
  let offset = 0;
  for (let index = 1; index <= fields; index++) {
    const form = cardValue(reader.header, `TFORM${index}`);
    const parts = typeof form === "string" ? /^(\d*)([LXBIJKAEDCMPQ])([A-Z]?)/.exec(form.trim().toUpperCase()) : null;
    if (parts === null) throw reader.fail(`TFORM${index}`, form, "name a column type");
    const repeat = parts[1] === "" ? 1 : Number(parts[1]);
    const letter = parts[2];
    const name = cardValue(reader.header, `TTYPE${index}`);
    if (typeof name === "string") {
      columns[name.trim().toUpperCase()] = {
        offset,
        type: letter === "P" || letter === "Q" ? parts[3] : letter,
        descriptor: letter === "P" ? 4 : letter === "Q" ? 8 : 0,
      };
    }
    offset += letter === "X" ? Math.ceil(repeat / 8) : repeat * typeBytes[letter];
  }
  return columns;
}

/** ZVALn of the ZNAMEn given. */
function parameter(header: Header, name: string): CardValue | undefined {
  for (const each of header) {
    if (/^ZNAME\d+$/.test(each.keyword) && typeof each.value === "string" && each.value.trim().toUpperCase() === name) {
      return cardValue(header, `ZVAL${each.keyword.slice(5)}`);
    }
  }
  return undefined;
}

const codecs: Readonly<Record<string, TileLayout["codec"]>> = Object.freeze({
  RICE_1: "RICE_1",
  RICE_ONE: "RICE_1",
  GZIP_1: "GZIP_1",
  GZIP_2: "GZIP_2",
  PLIO_1: "PLIO_1",
  HCOMPRESS_1: "HCOMPRESS_1",
  NOCOMPRESS: "NOCOMPRESS",
});

const quantisations: Readonly<Record<string, TileLayout["quantised"]>> = Object.freeze({
  NONE: "none",
  NO_DITHER: "plain",
  SUBTRACTIVE_DITHER_1: "dither1",
  SUBTRACTIVE_DITHER_2: "dither2",
});

function tilesOf(reader: Reader, bitpix: Bitpix, axes: readonly number[]): TileLayout {
  const { path, hdu, header } = reader;
  const named = cardValue(header, "ZCMPTYPE");
  const codec = typeof named === "string" ? codecs[named.trim().toUpperCase()] : undefined;
  if (codec === undefined) {
    throw new FrameError(
      path,
      "unsupported",
      `card ZCMPTYPE of HDU ${hdu} names the tile compression ${
        JSON.stringify(named ?? "")
      }, which FITS 4.0 does not know`,
      "write the image with RICE_1 or GZIP_2",
    );
  }
  const columns = columnsOf(reader);
  if (columns["NULL_PIXEL_MASK"] !== undefined) {
    throw new FrameError(
      path,
      "unsupported",
      `HDU ${hdu} has a column NULL_PIXEL_MASK, which is not read yet`,
      "decompress the image first",
    );
  }
  if (columns["COMPRESSED_DATA"] === undefined) {
    throw reader.fail("TTYPEn", undefined, "name a column COMPRESSED_DATA");
  }
  const tile = axes.map((length, index) => {
    const size = reader.optionalCount(`ZTILE${index + 1}`, index === 0 ? length : 1);
    if (size === 0) throw reader.fail(`ZTILE${index + 1}`, 0, "be at least 1");
    return Math.min(size, Math.max(length, 1));
  });
  const rows = reader.count("NAXIS2");
  const rowBytes = reader.count("NAXIS1");
  for (const [name, { offset, type, descriptor }] of Object.entries(columns)) {
    const size = descriptor === 0 ? typeBytes[type] : 2 * descriptor;
    if (offset + size > rowBytes) throw reader.fail("NAXIS1", rowBytes, `reach to the end of column ${name}`);
  }
  const expected = product(axes.map((length, index) => Math.ceil(length / tile[index])));
  if (rows < expected) throw reader.fail("NAXIS2", rows, `count ${expected} tiles`);
  const heap = reader.optionalCount("THEAP", rowBytes * rows);
  if (heap < rowBytes * rows) throw reader.fail("THEAP", heap, `lie behind the ${rowBytes * rows} bytes of the table`);
  const scale = columns["ZSCALE"] === undefined ? cardNumber(header, "ZSCALE") : null;
  const hasScale = scale !== null || columns["ZSCALE"] !== undefined;
  const asked = cardValue(header, "ZQUANTIZ");
  let quantised: TileLayout["quantised"] = "none";
  if (bitpix < 0 && hasScale) {
    const found = typeof asked === "string" ? quantisations[asked.trim().toUpperCase()] : "plain";
    if (found === undefined) {
      throw new FrameError(
        path,
        "unsupported",
        `card ZQUANTIZ of HDU ${hdu} names the quantisation ${JSON.stringify(asked)}, which FITS 4.0 does not know`,
        "decompress the image first",
      );
    }
    quantised = found;
  }
  const bytes = parameter(header, "BYTEPIX") ?? 4;
  if (codec === "RICE_1" && bytes !== 1 && bytes !== 2 && bytes !== 4) {
    throw reader.fail("ZVALn of BYTEPIX", bytes, "be 1, 2 or 4");
  }
  const block = parameter(header, "BLOCKSIZE") ?? 32;
  if (codec === "RICE_1" && !(typeof block === "number" && Number.isInteger(block) && block > 0)) {
    throw reader.fail("ZVALn of BLOCKSIZE", block, "be a whole number above 0");
  }
  return {
    codec,
    tile,
    rowBytes,
    rows,
    heap,
    columns,
    scale,
    zero: columns["ZZERO"] === undefined ? cardNumber(header, "ZZERO") : null,
    blank: columns["ZBLANK"] === undefined ? cardNumber(header, "ZBLANK") : null,
    quantised,
    seed: cardNumber(header, "ZDITHER0") ?? 1,
    riceBytes: bytes === 1 || bytes === 2 ? bytes : 4,
    riceBlock: typeof block === "number" ? block : 32,
    smooth: (parameter(header, "SMOOTH") ?? 0) !== 0,
  };
}

const tableCard = new RegExp(
  "^(XTENSION|BITPIX|NAXIS\\d*|PCOUNT|GCOUNT|TFIELDS|THEAP|T(TYPE|FORM|UNIT|DIM|NULL|SCAL|ZERO|DISP)\\d+|CHECKSUM|DATASUM|" +
    "Z(IMAGE|CMPTYPE|BITPIX|NAXIS\\d*|TILE\\d+|NAME\\d+|VAL\\d+|SIMPLE|TENSION|EXTEND|BLOCKED|PCOUNT|GCOUNT|HECKSUM|DATASUM|" +
    "QUANTIZ|DITHER0|MASKCMP|BLANK|SCALE|ZERO))$",
);

/** Cards of the image that a compressed table stands for (section 10.1.2). */
function restoredHeader(stored: Header, bitpix: Bitpix, axes: readonly number[]): Header {
  const comment = (keyword: string) => stored.find((each) => each.keyword === keyword)?.comment ?? "";
  const extension = stored.find((each) => each.keyword === "ZTENSION");
  const start: Card[] = [
    extension === undefined ? card("SIMPLE", true, comment("ZSIMPLE")) : card("XTENSION", "IMAGE", extension.comment),
    card("BITPIX", bitpix, comment("ZBITPIX")),
    card("NAXIS", axes.length, comment("ZNAXIS")),
    ...axes.map((length, index) => card(`NAXIS${index + 1}`, length, comment(`ZNAXIS${index + 1}`))),
  ];
  if (extension !== undefined) {
    start.push(card("PCOUNT", 0, comment("ZPCOUNT")), card("GCOUNT", 1, comment("ZGCOUNT")));
  }
  const rest = stored.filter((each) =>
    !tableCard.test(each.keyword) &&
    !(each.keyword === "EXTNAME" && typeof each.value === "string" && each.value.trim() === "COMPRESSED_IMAGE")
  );
  return [...start, ...rest];
}

/**
 * What one HDU holds and where.
 *
 * @throws {FrameError} when a card that the layout depends on is missing or makes no sense
 */
export function layoutHdu(
  path: string,
  index: number,
  stored: Header,
  start: number,
  dataStart: number,
  notes: readonly string[],
): PlacedHdu {
  const reader = new Reader(path, index, stored);
  const bitpix = reader.bitpix("BITPIX");
  const axes = reader.axes("NAXIS");
  const parameters = index === 0 && cardValue(stored, "GROUPS") !== true ? 0 : reader.optionalCount("PCOUNT", 0);
  const groups = index === 0 && cardValue(stored, "GROUPS") !== true ? 1 : reader.optionalCount("GCOUNT", 1);
  const grouped = cardValue(stored, "GROUPS") === true && axes[0] === 0;
  const elements = axes.length === 0 ? 0 : grouped ? product(axes.slice(1)) : product(axes);
  const dataBytes = sampleBytes(bitpix) * groups * (parameters + elements);
  const name = cardValue(stored, "EXTNAME");
  const extension = cardValue(stored, "XTENSION");
  const form = typeof extension === "string" ? extension.trim() : "";
  const placed = {
    index,
    name: typeof name === "string" ? name.trim() : "",
    header: stored,
    width: 0,
    height: 0,
    planes: 0,
    compression: null,
    notes,
    stored,
    start,
    dataStart,
    dataBytes,
    layout: null,
  };
  if (form === "BINTABLE" && cardValue(stored, "ZIMAGE") === true) {
    const imageBitpix = reader.bitpix("ZBITPIX");
    const imageAxes = reader.axes("ZNAXIS");
    const tiles = tilesOf(reader, imageBitpix, imageAxes);
    if (tiles.heap > dataBytes) throw reader.fail("PCOUNT", parameters, `make room for a heap at byte ${tiles.heap}`);
    const [width = 0, height = 1, ...more] = imageAxes;
    const planes = product(more);
    if (width * height * planes === 0) return { ...placed, kind: "empty" };
    const scaling = reader.scaling(imageBitpix);
    const blank = scaling.blank ?? (imageBitpix > 0 ? tiles.blank : null);
    return {
      ...placed,
      kind: "image",
      name: placed.name === "COMPRESSED_IMAGE" ? "" : placed.name,
      header: restoredHeader(stored, imageBitpix, imageAxes),
      width,
      height,
      planes,
      compression: tiles.codec,
      layout: {
        path,
        hdu: index,
        axes: imageAxes,
        width,
        height,
        planes,
        bitpix: imageBitpix,
        scaling: { ...scaling, blank },
        dataStart,
        dataBytes,
        tiles,
      },
    };
  }
  if (form === "TABLE" || form === "BINTABLE" || form === "A3DTABLE") return { ...placed, kind: "table" };
  if (grouped || (form !== "" && form !== "IMAGE" && form !== "IUEIMAGE")) return { ...placed, kind: "other" };
  const [width = 0, height = 1, ...more] = axes;
  const planes = axes.length === 0 ? 0 : product(more);
  if (width * height * planes === 0) return { ...placed, kind: "empty" };
  return {
    ...placed,
    kind: "image",
    width,
    height,
    planes,
    layout: {
      path,
      hdu: index,
      axes,
      width,
      height,
      planes,
      bitpix,
      scaling: reader.scaling(bitpix),
      dataStart,
      dataBytes,
      tiles: null,
    },
  };
}
