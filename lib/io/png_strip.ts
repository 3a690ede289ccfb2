/**
 * One strip of rows of a PNG: samples → filtered bytes → deflate. Runs on the pool; its bytes depend on the strip
 * alone.
 */
import zlib from "node:zlib";
import { type Packed, unpack } from "../kernels/bands.ts";

/** A strip to encode. */
export interface PngStripJob {
  /** Float planes in 0 … 1 (one or three), or the bytes of one array of interleaved whole-number samples. */
  readonly planes: readonly Packed[];
  /** Whether the planes hold floats. */
  readonly floats: boolean;
  /** Columns. */
  readonly width: number;
  /** Last stored row when it is drawn on top (stored rows run upwards), else -1. */
  readonly bottomRow: number;
  /** Samples a pixel. */
  readonly channels: number;
  /** Bits a sample, 8 or 16. */
  readonly bits: number;
  /** First row of the strip. */
  readonly firstRow: number;
  /** Row behind the last. */
  readonly endRow: number;
  /** Whether the strip ends the deflate stream. */
  readonly last: boolean;
  /** Room for the deflate bytes of all strips; this one's begin at `outAt`. */
  readonly out: Packed;
  /** First byte of this strip's {@linkcode stripRoom}. */
  readonly outAt: number;
}

/** An encoded strip. */
export interface PngStrip {
  /** Number of raw deflate bytes from `outAt` on; they end on a byte boundary. */
  readonly packed: number;
  /** Adler-32 of the filtered bytes. */
  readonly adler: number;
  /** Number of filtered bytes. */
  readonly length: number;
}

/** Most bytes that deflate makes of so many (zlib's own bound for any level, rounded up), and the flush behind them. */
export const stripRoom = (bytes: number): number => bytes + Math.ceil(bytes / 512) + 128;

const ADLER_BASE = 65521;

/** Adler-32 (RFC 1950) of some bytes. */
export function adler32(bytes: Uint8Array): number {
  let a = 1;
  let b = 0;
  for (let at = 0; at < bytes.length;) {
    const end = Math.min(at + 3800, bytes.length); // a and b stay below 2^32 for this many bytes
    for (; at < end; at++) {
      a += bytes[at];
      b += a;
    }
    a %= ADLER_BASE;
    b %= ADLER_BASE;
  }
  return (b * 65536 + a) >>> 0;
}

/** Adler-32 of two pieces laid end to end, from theirs and the length of the second. */
export function combineAdler(first: number, second: number, secondLength: number): number {
  const rest = secondLength % ADLER_BASE;
  const a1 = first & 0xffff;
  const b1 = first >>> 16;
  const a2 = second & 0xffff;
  const b2 = second >>> 16;
  const a = (a1 + a2 - 1 + ADLER_BASE) % ADLER_BASE;
  const b = (b1 + b2 + rest * (a1 - 1 + ADLER_BASE)) % ADLER_BASE;
  return (b * 65536 + a) >>> 0;
}

/** Writes one drawn row of samples as big-endian bytes. Floats are rounded to the nearest code, NaN becomes 0. */
function rowWriter(job: PngStripJob): (drawnRow: number, out: Uint8Array) => void {
  const { width, channels, bits, bottomRow } = job;
  const stored = (drawnRow: number) => bottomRow < 0 ? drawnRow : bottomRow - drawnRow;
  if (job.floats) {
    const planes = job.planes.map((plane) => unpack<Float32Array>(plane));
    const top = bits === 16 ? 65535 : 255;
    const step = channels * bits / 8;
    return (drawnRow, out) => {
      for (let c = 0; c < channels; c++) {
        const data = planes[c];
        for (let x = 0, from = stored(drawnRow) * width, at = c * bits / 8; x < width; x++, from++, at += step) {
          const v = data[from];
          const code = v >= 1 ? top : v > 0 ? (v * top + 0.5) | 0 : 0;
          if (bits === 16) {
            out[at] = code >> 8;
            out[at + 1] = code;
          } else out[at] = code;
        }
      }
    };
  }
  const bytes = unpack<Uint8Array>(job.planes[0]);
  const count = width * channels;
  if (bits === 8) {
    return (drawnRow, out) => out.set(bytes.subarray(stored(drawnRow) * count, (stored(drawnRow) + 1) * count));
  }
  const samples = new Uint16Array(bytes.buffer, bytes.byteOffset, bytes.length / 2);
  return (drawnRow, out) => {
    for (let i = 0, from = stored(drawnRow) * count, to = 0; i < count; i++, from++, to += 2) {
      out[to] = samples[from] >> 8;
      out[to + 1] = samples[from];
    }
  };
}

/** PNG filter `kind` (0 none, 1 sub, 2 up, 3 average, 4 Paeth) of a row, given the row above; the number goes first. */
function filterRow(kind: number, row: Uint8Array, above: Uint8Array, step: number, out: Uint8Array): void {
  out[0] = kind;
  const length = row.length;
  if (kind === 0) return out.set(row, 1);
  if (kind === 2) {
    for (let i = 0; i < length; i++) out[1 + i] = row[i] - above[i];
    return;
  }
  for (let i = 0; i < step; i++) {
    out[1 + i] = row[i] - (kind === 1 ? 0 : kind === 3 ? above[i] >> 1 : above[i]);
  }
  if (kind === 1) { for (let i = step; i < length; i++) out[1 + i] = row[i] - row[i - step]; }
  else if (kind === 3) { for (let i = step; i < length; i++) out[1 + i] = row[i] - ((row[i - step] + above[i]) >> 1); }
  else {
    for (let i = step; i < length; i++) {
      const left = row[i - step];
      const up = above[i];
      const corner = above[i - step];
      const byLeft = Math.abs(up - corner);
      const byUp = Math.abs(left - corner);
      const byCorner = Math.abs(left + up - 2 * corner);
      out[1 + i] = row[i] - (byLeft <= byUp && byLeft <= byCorner ? left : byUp <= byCorner ? up : corner);
    }
  }
}

const { Z_RLE, Z_DEFAULT_STRATEGY, Z_SYNC_FLUSH, Z_FINISH } = zlib.constants;
/** Noise does not repeat: run lengths and Huffman codes alone are three times as fast and no larger (measured). */
const quick = { level: 6, strategy: Z_RLE, memLevel: 9 } as const;
const thorough = { level: 6, strategy: Z_DEFAULT_STRATEGY, memLevel: 9 } as const;
/** Bytes of the strip that are tried in every way before the whole is encoded. */
const PROBE_BYTES = 49152;

/**
 * Encode a strip: the filter and the deflate strategy that a probe from its middle finds smallest are used for all of
 * it.
 */
export function encodePngStrip(job: PngStripJob): PngStrip {
  const { width, channels, bits, firstRow, endRow, last } = job;
  const step = channels * bits / 8;
  const rowBytes = width * step;
  const rows = endRow - firstRow;
  const writeRow = rowWriter(job);
  let row = new Uint8Array(rowBytes);
  let above = new Uint8Array(rowBytes);
  const startAt = (y: number) => {
    if (y > 0) writeRow(y - 1, above);
    else above.fill(0);
  };
  const probeRows = Math.min(rows, Math.max(2, Math.ceil(PROBE_BYTES / rowBytes)));
  const probeFirst = firstRow + ((rows - probeRows) >> 1);
  const probes = [0, 1, 2, 3, 4].map(() => new Uint8Array(probeRows * (rowBytes + 1)));
  startAt(probeFirst);
  for (let y = 0; y < probeRows; y++) {
    writeRow(probeFirst + y, row);
    probes.forEach((probe, kind) => filterRow(kind, row, above, step, probe.subarray(y * (rowBytes + 1))));
    [row, above] = [above, row];
  }
  const sizes = probes.map((probe) => zlib.deflateRawSync(probe, quick).length);
  const filter = sizes.indexOf(Math.min(...sizes));
  const tried = [filter, 0].map((kind) => zlib.deflateRawSync(probes[kind], thorough).length);
  const useThorough = Math.min(...tried) < 0.985 * sizes[filter];
  const kind = useThorough && tried[1] < tried[0] ? 0 : filter;

  const filtered = new Uint8Array(rows * (rowBytes + 1));
  startAt(firstRow);
  for (let y = 0; y < rows; y++) {
    writeRow(firstRow + y, row);
    filterRow(kind, row, above, step, filtered.subarray(y * (rowBytes + 1)));
    [row, above] = [above, row];
  }
  const bytes = zlib.deflateRawSync(filtered, {
    ...(useThorough ? thorough : quick),
    finishFlush: last ? Z_FINISH : Z_SYNC_FLUSH,
  });
  unpack<Uint8Array>(job.out).set(bytes, job.outAt);
  return { packed: bytes.length, adler: adler32(filtered), length: filtered.length };
}
