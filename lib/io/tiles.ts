/** Tile-compressed images: which tiles a region needs, and what is in them (FITS 4.0 section 10). */
import { unzipSync } from "node:zlib";
import { FrameError } from "../core/errors.ts";
import type { Region } from "../core/geometry.ts";
import type { SampleLayout } from "./fits_layout.ts";
import type { TileColumn, TileLayout } from "./tile_layout.ts";
import { decodeHcompress } from "./hcompress.ts";
import { decodePlio } from "./plio.ts";
import { type Unquantise, unquantise } from "./quantise.ts";
import { decodeRice } from "./rice.ts";
import { type Bitpix, decodeSamples } from "./samples.ts";

/** Reads bytes of the file: fill the target from a position, or fail. */
export type ReadBytes = (target: Uint8Array, position: number) => void;

/** The samples of an image where they are stored. */
export interface StoredSamples {
  /** Sizes, scaling, positions. */
  readonly layout: SampleLayout;
  /** Table of the tiles of a compressed image, from {@linkcode readTileTable}; null where there is none. */
  readonly table: Uint8Array | null;
  /** Gets bytes of the file. */
  readonly read: ReadBytes;
}

/** An image in tiles, with its table. */
interface TiledImage {
  readonly layout: SampleLayout;
  readonly tiles: TileLayout;
  /** The table of tiles. */
  readonly view: DataView;
}

/** Place of a tile's bytes. */
interface TilePlace {
  readonly column: "COMPRESSED_DATA" | "GZIP_COMPRESSED_DATA" | "UNCOMPRESSED_DATA";
  /** Byte in the heap. */
  readonly offset: number;
  /** Bytes. */
  readonly length: number;
}

/** A part of a tile that goes into a region. */
interface Piece {
  readonly tile: number;
  readonly stored: TilePlace;
  /** First column, row of the tile in the plane. */
  readonly x: number;
  readonly y: number;
  /** Samples of the tile along each of the first two axes. */
  readonly width: number;
  readonly height: number;
  /** Planes of the tile, and which of them is wanted. */
  readonly depth: number;
  readonly slice: number;
}

const elementBytes: Readonly<Record<string, number>> = Object.freeze({ B: 1, I: 2, J: 4, K: 8, E: 4, D: 8 });

/** Bytes of the table of tiles, in shared memory so that other threads can have it. */
export function readTileTable(layout: SampleLayout, tiles: TileLayout, read: ReadBytes): Uint8Array {
  const table = new Uint8Array(tiles.rowBytes * tiles.rows);
  read(table, layout.dataStart);
  return table;
}

function descriptor(view: DataView, row: number, column: TileColumn): { count: number; offset: number } {
  const at = row + column.offset;
  if (column.descriptor === 4) return { count: view.getUint32(at), offset: view.getUint32(at + 4) };
  return { count: Number(view.getBigUint64(at)), offset: Number(view.getBigUint64(at + 8)) };
}

function numberAt(view: DataView, row: number, column: TileColumn): number {
  const at = row + column.offset;
  switch (column.type) {
    case "D":
      return view.getFloat64(at);
    case "E":
      return view.getFloat32(at);
    case "J":
      return view.getInt32(at);
    case "K":
      return Number(view.getBigInt64(at));
    case "I":
      return view.getInt16(at);
    default:
      return view.getUint8(at);
  }
}

const fallbacks = ["COMPRESSED_DATA", "GZIP_COMPRESSED_DATA", "UNCOMPRESSED_DATA"] as const;

function storedTile({ layout, tiles, view }: TiledImage, tile: number): TilePlace {
  const row = tile * tiles.rowBytes;
  for (const name of fallbacks) {
    const column = tiles.columns[name];
    if (column === undefined) continue;
    const { count, offset } = column.descriptor === 0 ? { count: 0, offset: 0 } : descriptor(view, row, column);
    if (count > 0) return { column: name, offset, length: count * (elementBytes[column.type] ?? 1) };
  }
  throw new FrameError(
    layout.path,
    "truncated",
    `tile ${tile + 1} of ${tiles.rows} in HDU ${layout.hdu} holds no data`,
    "copy the file again",
  );
}

/** Tiles that touch the region of one plane, in file order. */
function piecesOf(image: TiledImage, region: Region, plane: number): Piece[] {
  const { layout, tiles } = image;
  const { axes } = layout;
  const tileWidth = tiles.tile[0] ?? 1;
  const tileHeight = tiles.tile[1] ?? 1;
  const across = Math.ceil(layout.width / tileWidth);
  const down = Math.ceil(layout.height / tileHeight);
  // place of the plane among the tiles of the further axes
  let rest = plane;
  let base = 0;
  let step = across * down;
  let slice = 0;
  let inside = 1;
  let depth = 1;
  for (let axis = 2; axis < axes.length; axis++) {
    const length = axes[axis];
    const size = tiles.tile[axis];
    const position = rest % length;
    rest = Math.floor(rest / length);
    const number = Math.floor(position / size);
    base += number * step;
    step *= Math.ceil(length / size);
    const extent = Math.min(size, length - number * size);
    slice += (position - number * size) * inside;
    inside *= extent;
    depth *= extent;
  }
  const pieces: Piece[] = [];
  const lastRow = Math.floor((region.y + region.height - 1) / tileHeight);
  const lastColumn = Math.floor((region.x + region.width - 1) / tileWidth);
  for (let j = Math.floor(region.y / tileHeight); j <= lastRow; j++) {
    for (let i = Math.floor(region.x / tileWidth); i <= lastColumn; i++) {
      const tile = base + j * across + i;
      const x = i * tileWidth;
      const y = j * tileHeight;
      pieces.push({
        tile,
        stored: storedTile(image, tile),
        x,
        y,
        width: Math.min(tileWidth, layout.width - x),
        height: Math.min(tileHeight, layout.height - y),
        depth,
        slice,
      });
    }
  }
  return pieces;
}

/** Undo the sorting of bytes by significance of GZIP_2. */
function unshuffle(bytes: Uint8Array, count: number): Uint8Array {
  const width = bytes.length / count;
  const out = new Uint8Array(bytes.length);
  for (let part = 0; part < width; part++) {
    for (let i = 0, at = part, from = part * count; i < count; i++, at += width) out[at] = bytes[from + i];
  }
  return out;
}

let integers = new Int32Array(0);
let values = new Float32Array(0);

const integerBitpix: Readonly<Record<number, Bitpix>> = Object.freeze({ 1: 8, 2: 16, 4: 32, 8: 64 });

function damaged(layout: SampleLayout, piece: Piece, fact: string, cause?: unknown): FrameError {
  return new FrameError(
    layout.path,
    "unreadable",
    `tile ${piece.tile + 1} of HDU ${layout.hdu} ${fact}`,
    "the data are damaged; copy the file again",
    cause,
  );
}

/** Most bytes of a tile: eight a sample, and what a packer adds. */
const maximumTileBytes = ({ width, height, depth }: Piece): number => 8 * width * height * depth + 1024;

const isDirect = ({ codec }: TileLayout, { stored }: Piece): boolean =>
  stored.column === "UNCOMPRESSED_DATA" || codec === "NOCOMPRESS";

const isZipped = (tiles: TileLayout, piece: Piece): boolean =>
  !isDirect(tiles, piece) &&
  (piece.stored.column === "GZIP_COMPRESSED_DATA" || tiles.codec === "GZIP_1" || tiles.codec === "GZIP_2");

/** A float tile that could not be quantised lies in one of the two fallback columns as it was. */
const isQuantised = ({ quantised }: TileLayout, { stored }: Piece): boolean =>
  quantised !== "none" && stored.column === "COMPRESSED_DATA";

function unzipTile(layout: SampleLayout, piece: Piece, bytes: Uint8Array): Uint8Array {
  try {
    return unzipSync(bytes, { maxOutputLength: maximumTileBytes(piece) });
  } catch (cause) {
    throw damaged(layout, piece, `cannot be unpacked (${cause instanceof Error ? cause.message : cause})`, cause);
  }
}

/** Integers of `width` bytes, as numbers. */
function readIntegers(bytes: Uint8Array, count: number, width: number): void {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
  for (let i = 0; i < count; i++) {
    integers[i] = width === 4
      ? view.getInt32(4 * i)
      : width === 2
      ? view.getInt16(2 * i)
      : width === 1
      ? view.getUint8(i)
      : Number(view.getBigInt64(8 * i));
  }
}

/** The integers of a tile in one of the codes made for them. */
function decodeIntegers({ layout, tiles }: TiledImage, piece: Piece, bytes: Uint8Array, count: number): void {
  if (tiles.codec === "RICE_1") {
    if (!decodeRice(bytes, count, tiles.riceBytes, tiles.riceBlock, integers)) {
      throw damaged(layout, piece, `ends after ${bytes.length} bytes, before its ${count} pixels`);
    }
    return;
  }
  const good = tiles.codec === "PLIO_1"
    ? decodePlio(bytes, count, integers)
    : decodeHcompress(bytes, count, tiles.smooth, integers);
  if (!good) throw damaged(layout, piece, `is no ${tiles.codec} code for its ${count} pixels`);
}

/** The integers of a zipped or plain tile, or its values at once where they were not quantised; whether values came. */
function decodePlain({ layout, tiles }: TiledImage, piece: Piece, bytes: Uint8Array, out: Float32Array): boolean {
  const count = out.length;
  const inMainColumn = piece.stored.column === "COMPRESSED_DATA";
  const quantised = isQuantised(tiles, piece);
  const plain = isZipped(tiles, piece) ? unzipTile(layout, piece, bytes) : bytes;
  const width = plain.length / count;
  const bitpix = layout.bitpix < 0 && !quantised ? (-8 * width) as Bitpix : integerBitpix[width];
  // integers are stored as wide as they are, or, by older programs, in four bytes whatever they are
  const isWide = layout.bitpix < 0 || quantised || width === 4 || bitpix === layout.bitpix;
  if (bitpix === undefined || (bitpix < 0 && width !== 4 && width !== 8) || !isWide) {
    throw damaged(layout, piece, `unpacks to ${plain.length} bytes for ${count} pixels`);
  }
  const ordered = tiles.codec === "GZIP_2" && inMainColumn ? unshuffle(plain, count) : plain;
  if (quantised) readIntegers(ordered, count, width);
  else decodeSamples(ordered, { bitpix, scaling: layout.scaling }, out);
  return !quantised;
}

/** The integers of a tile as values. */
function applyTileScaling({ layout, tiles, view }: TiledImage, piece: Piece, out: Float32Array): void {
  const row = piece.tile * tiles.rowBytes;
  const own = (name: string, card: number | null): number | null => {
    const column = tiles.columns[name];
    return column === undefined ? card : numberAt(view, row, column);
  };
  const count = out.length;
  const { scale, zero, blank } = layout.scaling;
  if (isQuantised(tiles, piece)) {
    const form: Unquantise = {
      scale: own("ZSCALE", tiles.scale) ?? 1,
      zero: own("ZZERO", tiles.zero) ?? 0,
      blank: own("ZBLANK", tiles.blank),
      method: tiles.quantised,
      start: piece.tile + tiles.seed - 1,
    };
    unquantise(integers, form, out);
    if (scale !== 1 || zero !== 0) { for (let i = 0; i < count; i++) out[i] = zero + scale * out[i]; }
    return;
  }
  const missing = blank ?? own("ZBLANK", tiles.blank);
  if (missing === null) { for (let i = 0; i < count; i++) out[i] = zero + scale * integers[i]; }
  else for (let i = 0; i < count; i++) out[i] = integers[i] === missing ? NaN : zero + scale * integers[i];
}

/** Values of a whole tile, as many as `out` holds. */
function decodeTile(image: TiledImage, piece: Piece, bytes: Uint8Array, out: Float32Array): void {
  const { tiles } = image;
  if (integers.length < out.length) integers = new Int32Array(out.length);
  if (isZipped(tiles, piece) || isDirect(tiles, piece)) {
    if (decodePlain(image, piece, bytes, out)) return;
  } else decodeIntegers(image, piece, bytes, out.length);
  applyTileScaling(image, piece, out);
}

/** Bytes between two tiles that are read along rather than skipped by a second read. */
const GAP = 16384;
/** Most bytes read at once. */
const GROUP = 4 << 20;

/** The tiles from `first` on that are read in one go: the first that is not, and the byte behind the last. */
function groupOf(pieces: readonly Piece[], first: number): { readonly next: number; readonly end: number } {
  const start = pieces[first].stored.offset;
  let end = start + pieces[first].stored.length;
  let next = first + 1;
  for (; next < pieces.length; next++) {
    const { offset, length } = pieces[next].stored;
    if (offset < end || offset - end > GAP || offset + length - start > GROUP) break;
    end = offset + length;
  }
  return { next, end };
}

/** Values of a region of a tile-compressed image; only the tiles that touch it are read. */
export function readTiles(
  { layout, table, read }: StoredSamples,
  tiles: TileLayout,
  region: Region,
  plane: number,
  out: Float32Array,
): void {
  const rows = table ?? readTileTable(layout, tiles, read);
  const image: TiledImage = { layout, tiles, view: new DataView(rows.buffer, rows.byteOffset, rows.length) };
  const pieces = piecesOf(image, region, plane);
  const heap = layout.dataStart + tiles.heap;
  const limit = layout.dataBytes - tiles.heap;
  for (const piece of pieces) {
    if (piece.stored.offset + piece.stored.length > limit) {
      throw damaged(layout, piece, `lies beyond the data (byte ${piece.stored.offset} of ${limit} in the heap)`);
    }
  }
  for (let first = 0; first < pieces.length;) {
    const start = pieces[first].stored.offset;
    const { next, end } = groupOf(pieces, first);
    const bytes = new Uint8Array(end - start);
    read(bytes, heap + start);
    for (; first < next; first++) {
      const piece = pieces[first];
      const { offset, length } = piece.stored;
      placeTile(image, piece, bytes.subarray(offset - start, offset - start + length), region, out);
    }
  }
}

/** Decode a tile and put what of it lies in the region where it belongs. */
function placeTile(image: TiledImage, piece: Piece, bytes: Uint8Array, region: Region, out: Float32Array): void {
  const left = Math.max(piece.x, region.x);
  const right = Math.min(piece.x + piece.width, region.x + region.width);
  const top = Math.max(piece.y, region.y);
  const bottom = Math.min(piece.y + piece.height, region.y + region.height);
  const count = piece.width * piece.height * piece.depth;
  const whole = left === piece.x && right === piece.x + piece.width && top === piece.y &&
    bottom === piece.y + piece.height && piece.depth === 1;
  if (whole && (piece.height === 1 || piece.width === region.width)) {
    const at = (top - region.y) * region.width + left - region.x;
    decodeTile(image, piece, bytes, out.subarray(at, at + count));
    return;
  }
  if (values.length < count) values = new Float32Array(count);
  // of a row coded from left to right only the part up to the last wanted pixel has to be decoded
  const oneRow = image.tiles.codec === "RICE_1" && piece.stored.column === "COMPRESSED_DATA" && piece.height === 1 &&
    piece.depth === 1;
  decodeTile(image, piece, bytes, values.subarray(0, oneRow ? right - piece.x : count));
  const base = piece.slice * piece.width * piece.height;
  for (let y = top; y < bottom; y++) {
    const from = base + (y - piece.y) * piece.width + left - piece.x;
    out.set(values.subarray(from, from + right - left), (y - region.y) * region.width + left - region.x);
  }
}
