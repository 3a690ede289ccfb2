/** A FITS file by its parts: headers first, samples by region. */
import { closeSync, openSync, readSync } from "node:fs";
import { FrameError } from "../core/errors.ts";
import type { Region } from "../core/geometry.ts";
import { allocatePlane } from "../core/image.ts";
import { allocateShared } from "../core/memory.ts";
import { decodeShorts } from "../kernels/correct.ts";
import { type ByteSource, openBytes } from "./byte_source.ts";
import { BLOCK, findEnd, parseCards } from "./fits_cards.ts";
import { type FitsHdu, layoutHdu, type PlacedHdu, type SampleLayout } from "./fits_layout.ts";
import { decodeSamples, sampleBytes } from "./samples.ts";
import { joinSums, sumBytes } from "./fits_sum.ts";
import { type ReadBytes, readTiles, readTileTable } from "./tiles.ts";

/** Options of {@linkcode openFits}. */
export interface OpenFitsOptions {
  /**
   * Folder where a `.gz` file is unpacked when regions of it are read; the system's folder for temporary files when
   * null.
   */
  readonly spillFolder?: string | null;
}

/** Sums of one HDU against its cards, FITS 4.0 section 4.4.2.7. */
export interface FitsSums {
  /** Number of the HDU, first 0. */
  readonly hdu: number;
  /** DATASUM card, null without. */
  readonly dataStated: number | null;
  /** Sum of the data unit. */
  readonly dataFound: number;
  /** CHECKSUM card, null without. */
  readonly checksum: string | null;
  /** Sum of the whole HDU; 4294967295 or 0 when it is intact. */
  readonly wholeFound: number;
  /** `absent` without cards, `good`, `data` when the data unit differs, `header` when only the header does. */
  readonly verdict: "absent" | "good" | "data" | "header";
}

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

const CHUNK = 1 << 20;
let scratch: Uint8Array | null = null;
/** Room for the bytes of a piece; on memory of its own, so that a kernel decodes them where they are. */
const buffer = (bytes: number): Uint8Array => {
  const size = Math.max(bytes, CHUNK);
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

const cutShort = (path: string, hdu: number, position: number, got: number, wanted: number): FrameError =>
  new FrameError(
    path,
    "truncated",
    `ends after ${got} of ${wanted} bytes at byte ${position} in the data of HDU ${hdu}`,
    "the copy is incomplete; copy the file again",
  );

/** Memory for all planes, or an error that says how much it would have been: a damaged header may ask for anything. */
function allocatePlanes({ path, hdu, width, height, planes }: SampleLayout): Float32Array[] {
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

function checkRegion(layout: SampleLayout, region: Region, plane: number): void {
  const { x, y, width, height } = region;
  const whole = [x, y, width, height].every(Number.isInteger);
  if (
    !(whole && x >= 0 && y >= 0 && width > 0 && height > 0 && x + width <= layout.width && y + height <= layout.height)
  ) {
    throw new RangeError(
      `readRegion: region must lie within ${layout.width} × ${layout.height}, but got ${width} × ${height} at (${x}, ${y})`,
    );
  }
  if (!(Number.isInteger(plane) && plane >= 0 && plane < layout.planes)) {
    throw new RangeError(`readRegion: plane must be 0 to ${layout.planes - 1}, but got ${plane}`);
  }
}

/** Rows closer than this are read in one go with what lies between them. */
const NEAR = 8192;

function readPlainRegion(
  layout: SampleLayout,
  read: ReadBytes,
  region: Region,
  plane: number,
  out: Float32Array,
): void {
  const size = sampleBytes(layout.bitpix);
  const { width, height, bitpix, scaling, dataStart } = layout;
  const start = dataStart + ((plane * height + region.y) * width + region.x) * size;
  if (region.width === width) {
    const total = region.width * region.height;
    const step = CHUNK / size;
    for (let done = 0; done < total; done += step) {
      const count = Math.min(step, total - done);
      const bytes = buffer(count * size);
      read(bytes, start + done * size);
      if (isShort(layout)) decodeShorts(bytes, out.subarray(done, done + count));
      else decodeSamples(bytes, 0, count, bitpix, scaling, out, done);
    }
    return;
  }
  const rowBytes = width * size;
  const skipped = (width - region.width) * size;
  const rowsAtOnce = skipped > NEAR ? 1 : Math.max(1, Math.floor(CHUNK / rowBytes));
  for (let row = 0; row < region.height; row += rowsAtOnce) {
    const rows = Math.min(rowsAtOnce, region.height - row);
    const bytes = buffer((rows - 1) * rowBytes + region.width * size);
    read(bytes, start + row * rowBytes);
    for (let each = 0; each < rows; each++) {
      decodeSamples(bytes, each * rowBytes, region.width, bitpix, scaling, out, (row + each) * region.width);
    }
  }
}

/** Samples of a region, stored as they are or in tiles. */
function readLayout(
  layout: SampleLayout,
  table: Uint8Array | null,
  read: ReadBytes,
  region: Region,
  plane: number,
  out: Float32Array,
): void {
  if (layout.tiles === null) readPlainRegion(layout, read, region, plane, out);
  else readTiles(layout, layout.tiles, table ?? readTileTable(layout, layout.tiles, read), read, region, plane, out);
}

function target(region: Region, into: Float32Array | undefined): Float32Array {
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
  const out = target(region, into);
  if (held !== null) {
    readLayout(
      layout,
      table,
      (bytes, position) => {
        const part = held.subarray(position, position + bytes.length);
        if (part.length < bytes.length) throw cutShort(layout.path, layout.hdu, position, part.length, bytes.length);
        bytes.set(part);
      },
      region,
      plane,
      out,
    );
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
    readLayout(layout, table, read, region, plane, out);
  } finally {
    closeSync(descriptor);
  }
  return out;
}

/** An open FITS file. Close it when done. */
export class FitsFile {
  /** The file as the caller named it. */
  readonly path: string;
  readonly #source: ByteSource;
  readonly #placed: PlacedHdu[] = [];
  readonly #tables = new Map<number, Uint8Array>();
  #nextStart = 0;
  #complete = false;

  /** For {@linkcode openFits}. */
  constructor(path: string, source: ByteSource) {
    this.path = path;
    this.#source = source;
  }

  /** Header of the HDU at `nextStart`; null behind the last. */
  #scan(): PlacedHdu | null {
    const index = this.#placed.length;
    const start = this.#nextStart;
    const stop = (): null => {
      this.#complete = true;
      return null;
    };
    let bytes = new Uint8Array(10 * BLOCK);
    let got = this.#source.readInto(bytes, start);
    const begins = String.fromCharCode(...bytes.subarray(0, Math.min(got, 9)));
    if (index === 0) {
      if (!/^SIMPLE {2}=/.test(begins)) {
        throw new FrameError(
          this.path,
          "not-fits",
          `is not a FITS file: it begins with ${JSON.stringify(begins)} instead of "SIMPLE  ="`,
          "leave it out, or convert it to FITS",
        );
      }
    } else if (got === 0) return stop();
    else if (!begins.startsWith("XTENSION")) {
      const last = this.#placed[index - 1];
      const note = `${got === bytes.length ? "more than " : ""}${got} bytes behind HDU ${
        index - 1
      } are no HDU and are ignored`;
      this.#placed[index - 1] = { ...last, notes: [...last.notes, note] };
      return stop();
    }
    let end = findEnd(bytes.subarray(0, got));
    while (end < 0) {
      if (got < bytes.length) {
        throw new FrameError(
          this.path,
          "truncated",
          `ends at byte ${start + got} inside the header of HDU ${index}, before its END card`,
          "the copy is incomplete; copy the file again",
        );
      }
      const more = new Uint8Array(bytes.length * 2);
      more.set(bytes);
      const extra = this.#source.readInto(more.subarray(bytes.length), start + bytes.length);
      end = findEnd(more.subarray(0, got + extra), got);
      bytes = more;
      got += extra;
    }
    const dataStart = start + Math.ceil((end + 80) / BLOCK) * BLOCK;
    const { cards, notes } = parseCards(bytes.subarray(0, end));
    const found = layoutHdu(this.path, index, cards, start, dataStart, notes);
    this.#placed.push(found);
    this.#nextStart = dataStart + Math.ceil(found.dataBytes / BLOCK) * BLOCK;
    return found;
  }

  #at(index: number): PlacedHdu {
    if (!(Number.isInteger(index) && index >= 0)) {
      throw new RangeError(`readFits: hdu must be a whole number of at least 0, but got ${index}`);
    }
    while (this.#placed.length <= index && !this.#complete) this.#scan();
    const found = this.#placed[index];
    if (found === undefined) {
      throw new FrameError(
        this.path,
        "no-image",
        `has ${this.#placed.length} HDUs, so there is no HDU ${index}`,
        `name one of 0 to ${this.#placed.length - 1}`,
      );
    }
    return found;
  }

  /** Every header and data unit, in file order. Reads all headers of the file. */
  get hdus(): readonly FitsHdu[] {
    while (!this.#complete) this.#scan();
    return this.#placed;
  }

  /** One HDU with its place in the file; reads no further than it. */
  hdu(index: number): PlacedHdu {
    return this.#at(index);
  }

  /**
   * The first HDU that holds an image, plain or compressed.
   *
   * @throws {FrameError} reason `no-image` when there is none
   */
  firstImage(): PlacedHdu {
    for (let index = 0;; index++) {
      while (this.#placed.length <= index && !this.#complete) this.#scan();
      const found = this.#placed[index];
      if (found === undefined) break;
      if (found.layout !== null) return found;
    }
    throw new FrameError(
      this.path,
      "no-image",
      `holds no image (${this.#placed.map((each) => each.kind).join(", ")})`,
      "leave it out",
    );
  }

  #layoutOf(index: number): SampleLayout {
    const { layout, kind } = this.#at(index);
    if (layout === null) {
      throw new FrameError(this.path, "no-image", `HDU ${index} is no image but ${kind}`, "name another HDU");
    }
    return layout;
  }

  /**
   * Bytes that the file lacks at the end of an HDU's data; 0 when it is whole (missing padding does not count). Costs
   * nothing for a plain file, inflates a gzip file.
   */
  missingBytes(index: number): number {
    const { dataStart, dataBytes } = this.#at(index);
    return Math.max(0, dataStart + dataBytes - this.#source.size());
  }

  /**
   * Whether the data of an HDU are there to the last byte, as far as that can be told without reading them: exact for
   * a plain file; of a gzip file the unpacked size at its end is believed when it is large enough.
   */
  seemsWhole(index: number): boolean {
    const { dataStart, dataBytes } = this.#at(index);
    return this.#source.holds(dataStart + dataBytes);
  }

  /** A note when only the padding of the last block is missing, which readers must tolerate. */
  paddingNote(index: number): string | null {
    const { dataStart, dataBytes } = this.#at(index);
    const end = dataStart + Math.ceil(dataBytes / BLOCK) * BLOCK;
    const size = this.#source.size();
    return size < end && size >= dataStart + dataBytes
      ? `the last block lacks ${end - size} bytes of padding; the data are whole`
      : null;
  }

  readonly #read: ReadBytes = (bytes, position) => {
    const got = this.#source.readInto(bytes, position);
    if (got < bytes.length) {
      const inside = this.#placed.findLast((each) => each.dataStart <= position)?.index ?? 0;
      throw cutShort(this.path, inside, position, got, bytes.length);
    }
  };

  #tableOf(layout: SampleLayout): Uint8Array | null {
    if (layout.tiles === null) return null;
    let table = this.#tables.get(layout.hdu);
    if (table === undefined) {
      table = readTileTable(layout, layout.tiles, this.#read);
      this.#tables.set(layout.hdu, table);
    }
    return table;
  }

  /**
   * Values of a rectangle of one plane, without reading the rest: positioned reads of its rows, or only the tiles it
   * touches. A `.gz` file is unpacked once to a temporary file that {@linkcode close} removes.
   *
   * @param hdu number of the HDU, first 0
   * @param region rectangle in pixels as stored
   * @param plane plane of a cube, first 0
   * @param into receives the samples row by row; made when left out
   * @returns values with BSCALE and BZERO applied, NaN for missing ones
   * @throws {RangeError} if the region does not lie within the image
   * @throws {FrameError} if the HDU holds no image, or the file ends early or is damaged
   */
  readRegion(hdu: number, region: Region, plane = 0, into?: Float32Array): Float32Array {
    const layout = this.#layoutOf(hdu);
    checkRegion(layout, region, plane);
    const out = target(region, into);
    const partial = region.width * region.height * layout.planes < layout.width * layout.height * layout.planes;
    if (partial) this.#source.plainPath();
    readLayout(layout, this.#tableOf(layout), this.#read, region, plane, out);
    return out;
  }

  /**
   * What another thread needs to read regions by itself; plain data. Valid until {@linkcode close} for a `.gz` file,
   * whose unpacked copy goes then; where there is no place to unpack it to, the source holds its bytes in memory.
   *
   * @throws {FrameError} if the HDU holds no image
   */
  regionSource(hdu: number): RegionSource {
    const layout = this.#layoutOf(hdu);
    const plain = this.#source.plainPath();
    const file = plain ?? this.path;
    const bytes = plain === null ? this.#source.sharedBytes() : null;
    const table = this.#tableOf(layout);
    if (table === null) return { file, bytes, layout, table };
    const shared = new Uint8Array(allocateShared(table.length, true), 0, table.length);
    shared.set(table);
    return { file, bytes, layout, table: shared };
  }

  /**
   * Every plane of an image, read once from front to end.
   *
   * @param hdu number of the HDU
   * @param onBytes sees the bytes of the data unit as they pass, for sums and digests; they must not be kept
   */
  readPlanes(hdu: number, onBytes?: (bytes: Uint8Array) => void): Float32Array[] {
    const layout = this.#layoutOf(hdu);
    const { width, height, bitpix, scaling, dataStart, dataBytes, tiles } = layout;
    const out = allocatePlanes(layout);
    if (tiles !== null) {
      // the whole heap at once, for all of it is needed
      const data = new Uint8Array(dataBytes);
      this.#read(data, dataStart);
      onBytes?.(data);
      const from: ReadBytes = (bytes, position) =>
        bytes.set(data.subarray(position - dataStart, position - dataStart + bytes.length));
      const table = data.slice(0, tiles.rowBytes * tiles.rows);
      const region = { x: 0, y: 0, width, height };
      out.forEach((plane, index) => readTiles(layout, tiles, table, from, region, index, plane));
      return out;
    }
    const size = sampleBytes(bitpix);
    const each = width * height;
    const total = each * layout.planes;
    const step = CHUNK / size;
    for (let done = 0; done < total; done += step) {
      const count = Math.min(step, total - done);
      const bytes = buffer(count * size);
      this.#read(bytes, dataStart + done * size);
      onBytes?.(bytes);
      for (let at = 0; at < count;) {
        const plane = Math.floor((done + at) / each);
        const inside = (done + at) % each;
        const part = Math.min(count - at, each - inside);
        decodeSamples(bytes, at * size, part, bitpix, scaling, out[plane], inside);
        at += part;
      }
    }
    return out;
  }

  /**
   * Compare an HDU with its DATASUM and CHECKSUM cards.
   *
   * @param hdu number of the HDU
   * @param dataSum sum of the data when it is known already
   */
  sums(hdu: number, dataSum?: number): FitsSums {
    const { stored, start, dataStart, dataBytes } = this.#at(hdu);
    const text = (keyword: string): string | null => {
      const value = stored.find((each) => each.keyword === keyword)?.value;
      return typeof value === "string" && value.trim() !== ""
        ? value.trim()
        : typeof value === "number"
        ? String(value)
        : null;
    };
    const stated = text("DATASUM");
    const checksum = text("CHECKSUM");
    let dataFound = dataSum ?? 0;
    if (dataSum === undefined) {
      for (let done = 0; done < dataBytes; done += CHUNK) {
        const bytes = buffer(Math.min(CHUNK, dataBytes - done));
        this.#read(bytes, dataStart + done);
        dataFound = sumBytes(bytes, dataFound);
      }
    }
    const header = new Uint8Array(dataStart - start);
    this.#read(header, start);
    const wholeFound = joinSums(sumBytes(header), dataFound);
    const dataStated = stated !== null && /^\d+$/.test(stated) ? Number(stated) : null;
    const wholeGood = wholeFound === 0xffffffff || wholeFound === 0;
    const verdict = dataStated !== null && dataStated !== dataFound
      ? "data"
      : checksum !== null && !wholeGood
      ? dataStated === null ? "data" : "header"
      : dataStated === null && checksum === null
      ? "absent"
      : "good";
    return { hdu, dataStated, dataFound, checksum, wholeFound, verdict };
  }

  /** Close the file and remove what was unpacked. */
  close(): void {
    this.#source.close();
    this.#tables.clear();
  }
}

/**
 * Open a FITS file and read its headers, no samples. Gzip files are recognised by their content.
 *
 * Cost: one read of about 29 kB for the first HDU; later HDUs when they are asked for.
 *
 * @throws {FrameError} when the file is missing, empty, not FITS, or its header is damaged
 *
 * @example Rows 1 and 2 of a frame
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
 * writeFits(path, constantImage(4, 3, 7));
 * const file = openFits(path);
 * assert.deepEqual([...file.readRegion(0, { x: 1, y: 1, width: 2, height: 2 })], [7, 7, 7, 7]);
 * file.close();
 * rmSync(folder, { recursive: true });
 * ```
 */
export function openFits(path: string, options: OpenFitsOptions = {}): FitsFile {
  const source = openBytes(path, options.spillFolder ?? null);
  const file = new FitsFile(path, source);
  try {
    file.hdu(0);
  } catch (error) {
    source.close();
    throw error;
  }
  return file;
}
