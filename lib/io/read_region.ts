/** Regions of an image read from its file, on any thread. */
import { closeSync, openSync, readSync } from "node:fs";
import { FrameError } from "../core/errors.ts";
import type { Region } from "../core/geometry.ts";
import { allocatePlane } from "../core/image.ts";
import { allocateShared } from "../core/memory.ts";
import { decodeShorts } from "../kernels/correct.ts";
import type { SampleLayout } from "./fits_layout.ts";
import { decodeSamples, sampleBytes } from "./samples.ts";
import { type ReadBytes, readTiles, type StoredSamples } from "./tiles.ts";

/**
 * Where the samples of an image lie, ready to be sent to another thread: {@linkcode readRegion} reads them there.
 */
export interface RegionSource {
  /** Path of a plain file. */
  readonly file: string;
  /**
   * Bytes of the file on shared memory, when it is a gzip file that could not be unpacked to a plain one; else null.
   */
  readonly bytes: Uint8Array | null;
  /** Sizes, scaling, positions. */
  readonly layout: SampleLayout;
  /** Table of the tiles of a compressed image, on shared memory. */
  readonly table: Uint8Array | null;
}

/** Bytes that are read at once, at least. */
export const chunkBytes = 1 << 20;
let scratch: Uint8Array | null = null;
/** Room for the bytes of a piece; on memory of its own, so that a kernel decodes them where they are. */
export const scratchBytes = (bytes: number): Uint8Array => {
  const size = Math.max(bytes, chunkBytes);
  if (scratch === null || scratch.length < bytes) scratch = new Uint8Array(allocateShared(size, true), 0, size);
  return scratch.subarray(0, bytes);
};

/** Whether samples are unsigned 16-bit integers, stored as they are: what cameras write. */
const isShort = ({ bitpix, scaling, tiles }: SampleLayout): boolean =>
  bitpix === 16 && tiles === null && scaling.blank === null && scaling.scale === 1 && scaling.zero === 32768;

/**
 * The stored bytes of a region of unsigned 16-bit integers, row behind row, for code in pool workers that decodes and
 * calibrates them in one; false, with nothing read, where samples are stored otherwise.
 */
export function readShortsFrom(source: RegionSource, region: Region, plane: number, into: Uint8Array): boolean {
  const { file, bytes: held, layout } = source;
  if (held !== null || !isShort(layout)) return false;
  checkRegion(layout, region, plane);
  const { path, hdu, width, height, dataStart } = layout;
  const rowBytes = 2 * region.width;
  const start = dataStart + 2 * ((plane * height + region.y) * width + region.x);
  const whole = region.width === width;
  const descriptor = openSync(file, "r");
  try {
    const pieces = whole ? 1 : region.height;
    const size = whole ? rowBytes * region.height : rowBytes;
    for (let piece = 0; piece < pieces; piece++) {
      for (let at = 0; at < size;) {
        const got = readSync(descriptor, into, piece * size + at, size - at, start + piece * 2 * width + at);
        if (got === 0) throw cutShort(path, hdu, start + piece * 2 * width, at, size);
        at += got;
      }
    }
  } finally {
    closeSync(descriptor);
  }
  return true;
}

/** The error of a file that ends too early. */
export const cutShort = (path: string, hdu: number, position: number, got: number, wanted: number): FrameError =>
  new FrameError(
    path,
    "truncated",
    `ends after ${got} of ${wanted} bytes at byte ${position} in the data of HDU ${hdu}`,
    "the copy is incomplete; copy the file again",
  );

/** Memory for all planes, or an error that says how much it would have been: a damaged header may ask for anything. */
export function allocatePlanes({ path, hdu, width, height, planes }: SampleLayout): Float32Array[] {
  try {
    return Array.from({ length: planes }, () => allocatePlane(width, height));
  } catch (cause) {
    throw new FrameError(
      path,
      "unsupported",
      `HDU ${hdu} has ${width} × ${height} × ${planes} samples, more than fit into memory`,
      "read it by regions, or copy the file again if it should be smaller",
      cause,
    );
  }
}

/** Refuse a region or plane that the image does not have. */
export function checkRegion(layout: SampleLayout, region: Region, plane: number): void {
  const { x, y, width, height } = region;
  const whole = [x, y, width, height].every(Number.isInteger);
  if (
    !(whole && x >= 0 && y >= 0 && width > 0 && height > 0 && x + width <= layout.width && y + height <= layout.height)
  ) {
    throw new RangeError(
      `readRegion: region must lie within ${layout.width} × ${layout.height}, but got ${width} × ${height} at ` +
        `(${x}, ${y})`,
    );
  }
  if (!(Number.isInteger(plane) && plane >= 0 && plane < layout.planes)) {
    throw new RangeError(`readRegion: plane must be 0 to ${layout.planes - 1}, but got ${plane}`);
  }
}

/** Rows closer than this are read in one go with what lies between them. */
const NEAR = 8192;

function readPlainRegion({ layout, read }: StoredSamples, region: Region, plane: number, out: Float32Array): void {
  const size = sampleBytes(layout.bitpix);
  const { width, height, dataStart } = layout;
  const start = dataStart + ((plane * height + region.y) * width + region.x) * size;
  if (region.width === width) {
    const total = region.width * region.height;
    const step = chunkBytes / size;
    for (let done = 0; done < total; done += step) {
      const count = Math.min(step, total - done);
      const bytes = scratchBytes(count * size);
      read(bytes, start + done * size);
      const part = out.subarray(done, done + count);
      if (isShort(layout)) decodeShorts(bytes, part);
      else decodeSamples(bytes, layout, part);
    }
    return;
  }
  const rowBytes = width * size;
  const skipped = (width - region.width) * size;
  const rowsAtOnce = skipped > NEAR ? 1 : Math.max(1, Math.floor(chunkBytes / rowBytes));
  for (let row = 0; row < region.height; row += rowsAtOnce) {
    const rows = Math.min(rowsAtOnce, region.height - row);
    const bytes = scratchBytes((rows - 1) * rowBytes + region.width * size);
    read(bytes, start + row * rowBytes);
    for (let each = 0; each < rows; each++) {
      const at = (row + each) * region.width;
      decodeSamples(bytes.subarray(each * rowBytes), layout, out.subarray(at, at + region.width));
    }
  }
}

/** Samples of a region, stored as they are or in tiles. */
export function readStored(stored: StoredSamples, region: Region, plane: number, out: Float32Array): void {
  const { tiles } = stored.layout;
  if (tiles === null) readPlainRegion(stored, region, plane, out);
  else readTiles(stored, tiles, region, plane, out);
}

/** Where the samples of a region go: what was given, if it is large enough, or fresh memory. */
export function targetFor(region: Region, into: Float32Array | undefined): Float32Array {
  const size = region.width * region.height;
  if (into === undefined) return allocatePlane(region.width, region.height);
  if (into.length < size) {
    throw new RangeError(`readRegion: into must hold ${size} samples, but holds ${into.length}`);
  }
  return into;
}

/**
 * Read a region where the source says it lies: the way for code in pool workers, which get the source with their job.
 * The file is opened and closed again; nothing is kept.
 *
 * @param source from {@linkcode FitsFile.regionSource}
 * @param region rectangle in pixels as stored
 * @param plane plane of a cube, first 0
 * @param into receives the samples row by row; made when left out
 * @returns values with BSCALE and BZERO applied, NaN for missing ones
 * @throws {RangeError} if the region does not lie within the image
 * @throws {FrameError} if the file ends early or is damaged
 *
 * @example What a worker does with the source in its job
 * ```ts
 * import assert from "node:assert/strict";
 * import { mkdtempSync, rmSync } from "node:fs";
 * import { tmpdir } from "node:os";
 * import { join } from "node:path";
 * import { constantImage, writeFits } from "faintlight";
 * import { openFits, readRegion } from "faintlight/io";
 *
 * const folder = mkdtempSync(join(tmpdir(), "fits-"));
 * writeFits(join(folder, "a.fits"), constantImage(4, 3, 7), { bitpix: 16, compress: "RICE_1" });
 * const file = openFits(join(folder, "a.fits"));
 * const source = file.regionSource(file.firstImage().index);
 * file.close();
 * assert.deepEqual([...readRegion(source, { x: 0, y: 1, width: 4, height: 1 })], [7, 7, 7, 7]);
 * rmSync(folder, { recursive: true });
 * ```
 */
export function readRegion(source: RegionSource, region: Region, plane = 0, into?: Float32Array): Float32Array {
  const { file, bytes: held, layout, table } = source;
  checkRegion(layout, region, plane);
  const out = targetFor(region, into);
  if (held !== null) {
    const read: ReadBytes = (bytes, position) => {
      const part = held.subarray(position, position + bytes.length);
      if (part.length < bytes.length) throw cutShort(layout.path, layout.hdu, position, part.length, bytes.length);
      bytes.set(part);
    };
    readStored({ layout, table, read }, region, plane, out);
    return out;
  }
  const descriptor = openSync(file, "r");
  const read: ReadBytes = (bytes, position) => {
    for (let at = 0; at < bytes.length;) {
      const got = readSync(descriptor, bytes, at, bytes.length - at, position + at);
      if (got === 0) throw cutShort(layout.path, layout.hdu, position, at, bytes.length);
      at += got;
    }
  };
  try {
    readStored({ layout, table, read }, region, plane, out);
  } finally {
    closeSync(descriptor);
  }
  return out;
}
