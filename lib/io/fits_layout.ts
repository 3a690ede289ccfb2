/** From a header to where the samples lie: sizes, scaling, tiles (FITS 4.0 sections 4.4, 7 and 10). */
import { cardValue, type Header } from "../core/header.ts";
import { CardReader, product } from "./card_reader.ts";
import { restoredHeader } from "./restored_header.ts";
import { type Bitpix, sampleBytes, type Scaling } from "./samples.ts";
import { type TileLayout, tilesOf } from "./tile_layout.ts";

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

/** An HDU before it is known what it holds. */
type Unplaced = Omit<PlacedHdu, "kind">;

/** Sizes of an image by its axes, all further axes taken together as planes. */
function sizesOf(axes: readonly number[]): Pick<SampleLayout, "axes" | "width" | "height" | "planes"> {
  const [width = 0, height = 1, ...more] = axes;
  return { axes, width, height, planes: axes.length === 0 ? 0 : product(more) };
}

/** An image whose samples are stored as they are. */
function layoutPlain(reader: CardReader, placed: Unplaced, axes: readonly number[], bitpix: Bitpix): PlacedHdu {
  const sizes = sizesOf(axes);
  const { width, height, planes } = sizes;
  if (width * height * planes === 0) return { ...placed, kind: "empty" };
  const { path, hdu } = reader;
  const { dataStart, dataBytes } = placed;
  const scaling = reader.scaling(bitpix);
  const layout = { path, hdu, ...sizes, bitpix, scaling, dataStart, dataBytes, tiles: null };
  return { ...placed, kind: "image", width, height, planes, layout };
}

/** An image in a table of tiles. */
function layoutTiled(reader: CardReader, placed: Unplaced, parameters: number): PlacedHdu {
  const bitpix = reader.bitpix("ZBITPIX");
  const axes = reader.axes("ZNAXIS");
  const tiles = tilesOf(reader, bitpix, axes);
  const { dataStart, dataBytes } = placed;
  if (tiles.heap > dataBytes) throw reader.fail("PCOUNT", parameters, `make room for a heap at byte ${tiles.heap}`);
  const sizes = sizesOf(axes);
  const { width, height, planes } = sizes;
  if (width * height * planes === 0) return { ...placed, kind: "empty" };
  const { path, hdu } = reader;
  const stored = reader.scaling(bitpix);
  const scaling = { ...stored, blank: stored.blank ?? (bitpix > 0 ? tiles.blank : null) };
  return {
    ...placed,
    kind: "image",
    name: placed.name === "COMPRESSED_IMAGE" ? "" : placed.name,
    header: restoredHeader(placed.stored, bitpix, axes),
    width,
    height,
    planes,
    compression: tiles.codec,
    layout: { path, hdu, ...sizes, bitpix, scaling, dataStart, dataBytes, tiles },
  };
}

/**
 * What one HDU holds and where.
 *
 * @throws {FrameError} when a card that the layout depends on is missing or makes no sense
 */
export function layoutHdu(
  path: string,
  index: number,
  { stored, start, dataStart, notes }: Pick<PlacedHdu, "stored" | "start" | "dataStart" | "notes">,
): PlacedHdu {
  const reader = new CardReader(path, index, stored);
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
  const placed: Unplaced = {
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
  if (form === "BINTABLE" && cardValue(stored, "ZIMAGE") === true) return layoutTiled(reader, placed, parameters);
  if (form === "TABLE" || form === "BINTABLE" || form === "A3DTABLE") return { ...placed, kind: "table" };
  if (grouped || (form !== "" && form !== "IMAGE" && form !== "IUEIMAGE")) return { ...placed, kind: "other" };
  return layoutPlain(reader, placed, axes, bitpix);
}
