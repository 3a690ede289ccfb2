/** Writing tile-compressed images: one table row a tile, the packed tiles in the heap (FITS 4.0 section 10.1). */
import { constants, gzipSync } from "node:zlib";
import { encodeRice, riceBound, type RiceWidth } from "./rice.ts";

/** Compressions that are written. */
export type TileCodec = "RICE_1" | "GZIP_1" | "GZIP_2";

/** A table of tiles, ready to be written. */
export interface TileTable {
  /** Descriptors, one row a tile. */
  readonly rows: Uint8Array;
  /** Bytes of a row. */
  readonly rowBytes: number;
  /** Packed tiles, in pieces. */
  readonly heap: readonly Uint8Array[];
  /** Bytes of the heap. */
  readonly heapBytes: number;
  /** Length of the longest tile. */
  readonly longest: number;
}

/** Integers that share a code; the value every writer uses and the standard recommends. */
export const RICE_BLOCK = 32;

/** Bytes of a tile sorted by significance, as GZIP_2 wants them. */
function shuffle(bytes: Uint8Array, width: number): Uint8Array {
  const count = bytes.length / width;
  const out = new Uint8Array(bytes.length);
  for (let part = 0; part < width; part++) {
    for (let i = 0, from = part, at = part * count; i < count; i++, from += width) out[at + i] = bytes[from];
  }
  return out;
}

/**
 * Pack tiles one by one.
 *
 * @param count number of tiles
 * @param samples integers of a tile for Rice, its big-endian bytes for gzip
 */
export function packTiles(
  codec: TileCodec,
  count: number,
  width: number,
  samples: { integers(tile: number): Int32Array; bytes(tile: number): Uint8Array },
): TileTable {
  const heap: Uint8Array[] = [];
  const lengths = new Float64Array(count);
  let heapBytes = 0;
  let longest = 0;
  let piece = new Uint8Array(0);
  let used = 0;
  const close = () => {
    if (used > 0) heap.push(piece.subarray(0, used));
  };
  const room = (bytes: number) => {
    if (used + bytes <= piece.length) return;
    close();
    piece = new Uint8Array(Math.max(4 << 20, bytes));
    used = 0;
  };
  for (let tile = 0; tile < count; tile++) {
    let length: number;
    if (codec === "RICE_1") {
      const integers = samples.integers(tile);
      room(riceBound(integers.length, width as RiceWidth, RICE_BLOCK));
      length = encodeRice(integers, width as RiceWidth, RICE_BLOCK, piece.subarray(used));
    } else {
      const bytes = samples.bytes(tile);
      // the fastest level: astronomical noise does not pack better for more work
      const packed = gzipSync(codec === "GZIP_2" ? shuffle(bytes, width) : bytes, { level: constants.Z_BEST_SPEED });
      length = packed.length;
      room(length);
      piece.set(packed, used);
    }
    used += length;
    heapBytes += length;
    lengths[tile] = length;
    if (length > longest) longest = length;
  }
  close();
  // 32-bit descriptors reach 2 GiB
  const wide = heapBytes > 0x7fffffff;
  const rowBytes = wide ? 16 : 8;
  const rows = new Uint8Array(count * rowBytes);
  const view = new DataView(rows.buffer);
  for (let tile = 0, offset = 0; tile < count; offset += lengths[tile++]) {
    if (wide) {
      view.setBigInt64(tile * 16, BigInt(lengths[tile]));
      view.setBigInt64(tile * 16 + 8, BigInt(offset));
    } else {
      view.setInt32(tile * 8, lengths[tile]);
      view.setInt32(tile * 8 + 4, offset);
    }
  }
  return { rows, rowBytes, heap, heapBytes, longest };
}
