/** How the tiles of a compressed image are stored (FITS 4.0 section 10). */
import { FrameError } from "../core/errors.ts";
import { cardNumber, type CardValue, cardValue, type Header } from "../core/header.ts";
import { type CardReader, product } from "./card_reader.ts";
import type { Bitpix } from "./samples.ts";

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

function columnsOf(reader: CardReader): Record<string, TileColumn> {
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

/** A card's value in a message; a whole number may have more digits than JSON can hold. */
const quoted = (value: CardValue | undefined): string => JSON.stringify(String(value ?? ""));

function codecOf({ path, hdu, header }: CardReader): TileLayout["codec"] {
  const named = cardValue(header, "ZCMPTYPE");
  const codec = typeof named === "string" ? codecs[named.trim().toUpperCase()] : undefined;
  if (codec === undefined) {
    throw new FrameError(
      path,
      "unsupported",
      `card ZCMPTYPE of HDU ${hdu} names the tile compression ${quoted(named)}, which FITS 4.0 does not know`,
      "write the image with RICE_1 or GZIP_2",
    );
  }
  return codec;
}

/** Size of a tile along each axis. */
function tileSize(reader: CardReader, axes: readonly number[]): number[] {
  return axes.map((length, index) => {
    const size = reader.optionalCount(`ZTILE${index + 1}`, index === 0 ? length : 1);
    if (size === 0) throw reader.fail(`ZTILE${index + 1}`, 0, "be at least 1");
    return Math.min(size, Math.max(length, 1));
  });
}

/** Rows of the table and place of the heap behind it. */
function tablePlan(
  reader: CardReader,
  columns: Readonly<Record<string, TileColumn>>,
  expected: number,
): Pick<TileLayout, "rows" | "rowBytes" | "heap"> {
  const rows = reader.count("NAXIS2");
  const rowBytes = reader.count("NAXIS1");
  for (const [name, { offset, type, descriptor }] of Object.entries(columns)) {
    const size = descriptor === 0 ? typeBytes[type] : 2 * descriptor;
    if (offset + size > rowBytes) throw reader.fail("NAXIS1", rowBytes, `reach to the end of column ${name}`);
  }
  if (rows < expected) throw reader.fail("NAXIS2", rows, `count ${expected} tiles`);
  const heap = reader.optionalCount("THEAP", rowBytes * rows);
  if (heap < rowBytes * rows) throw reader.fail("THEAP", heap, `lie behind the ${rowBytes * rows} bytes of the table`);
  return { rows, rowBytes, heap };
}

/** How floats were turned into integers. */
function quantisationOf({ path, hdu, header }: CardReader, bitpix: Bitpix, hasScale: boolean): TileLayout["quantised"] {
  if (bitpix > 0 || !hasScale) return "none";
  const asked = cardValue(header, "ZQUANTIZ");
  const found = typeof asked === "string" ? quantisations[asked.trim().toUpperCase()] : "plain";
  if (found === undefined) {
    throw new FrameError(
      path,
      "unsupported",
      `card ZQUANTIZ of HDU ${hdu} names the quantisation ${quoted(asked)}, which FITS 4.0 does not know`,
      "decompress the image first",
    );
  }
  return found;
}

/** Settings of the Rice code. */
function riceOf(reader: CardReader, codec: TileLayout["codec"]): Pick<TileLayout, "riceBytes" | "riceBlock"> {
  const { header } = reader;
  const bytes = parameter(header, "BYTEPIX") ?? 4;
  if (codec === "RICE_1" && bytes !== 1 && bytes !== 2 && bytes !== 4) {
    throw reader.fail("ZVALn of BYTEPIX", bytes, "be 1, 2 or 4");
  }
  const block = parameter(header, "BLOCKSIZE") ?? 32;
  if (codec === "RICE_1" && !(typeof block === "number" && Number.isInteger(block) && block > 0)) {
    throw reader.fail("ZVALn of BLOCKSIZE", block, "be a whole number above 0");
  }
  return {
    riceBytes: bytes === 1 || bytes === 2 ? bytes : 4,
    riceBlock: typeof block === "number" ? block : 32,
  };
}

/**
 * How the tiles of a compressed image are stored.
 *
 * @throws {FrameError} when a card makes no sense, or names what FITS 4.0 does not know
 */
export function tilesOf(reader: CardReader, bitpix: Bitpix, axes: readonly number[]): TileLayout {
  const { path, hdu, header } = reader;
  const codec = codecOf(reader);
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
  const tile = tileSize(reader, axes);
  const expected = product(axes.map((length, index) => Math.ceil(length / tile[index])));
  const scale = columns["ZSCALE"] === undefined ? cardNumber(header, "ZSCALE") : null;
  return {
    codec,
    tile,
    ...tablePlan(reader, columns, expected),
    columns,
    scale,
    zero: columns["ZZERO"] === undefined ? cardNumber(header, "ZZERO") : null,
    blank: columns["ZBLANK"] === undefined ? cardNumber(header, "ZBLANK") : null,
    quantised: quantisationOf(reader, bitpix, scale !== null || columns["ZSCALE"] !== undefined),
    seed: cardNumber(header, "ZDITHER0") ?? 1,
    ...riceOf(reader, codec),
    smooth: (parameter(header, "SMOOTH") ?? 0) !== 0,
  };
}
