/** A FITS file by its parts: headers first, samples by region. */
import { namesInWords } from "../core/names_in_words.ts";
import { FrameError } from "../core/errors.ts";
import type { Region } from "../core/geometry.ts";
import { allocateShared } from "../core/memory.ts";
import { type ByteSource, openBytes } from "./byte_source.ts";
import { BLOCK, parseCards } from "./fits_cards.ts";
import { type FitsHdu, layoutHdu, type PlacedHdu, type SampleLayout } from "./fits_layout.ts";
import {
  allocatePlanes,
  checkRegion,
  chunkBytes,
  cutShort,
  readStored,
  type RegionSource,
  scratchBytes,
  targetFor,
} from "./read_region.ts";
import { decodeSamples, sampleBytes } from "./samples.ts";
import { joinSums, sumBytes } from "./fits_sum.ts";
import { headerStep, readHeader } from "./read_header.ts";
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

/** Most HDUs that are looked at; files of many extensions have some hundred. */
const maximumHdus = 1000;

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
    const bytes = new Uint8Array(headerStep);
    const got = this.#source.readInto(bytes, start);
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
    if (index >= maximumHdus) {
      const last = this.#placed[index - 1];
      const note = `more than ${maximumHdus} HDUs; those behind are not looked at`;
      this.#placed[index - 1] = { ...last, notes: [...last.notes, note] };
      return stop();
    }
    const header = readHeader(this.#source, { path: this.path, index, start }, bytes.subarray(0, got));
    const dataStart = start + Math.ceil((header.length + 80) / BLOCK) * BLOCK;
    const { cards, notes } = parseCards(header);
    const found = layoutHdu(this.path, index, { stored: cards, start, dataStart, notes });
    this.#placed.push(found);
    this.#nextStart = dataStart + Math.ceil(found.dataBytes / BLOCK) * BLOCK;
    this.#source.expect(this.#nextStart);
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
      `holds no image (${namesInWords(this.#placed.map((each) => each.kind), 5)})`,
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
    const out = targetFor(region, into);
    const partial = region.width * region.height * layout.planes < layout.width * layout.height * layout.planes;
    if (partial) this.#source.plainPath();
    readStored({ layout, table: this.#tableOf(layout), read: this.#read }, region, plane, out);
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
    const { width, height, bitpix, dataStart, dataBytes, tiles } = layout;
    const out = allocatePlanes(layout);
    if (tiles !== null) {
      // the whole heap at once, for all of it is needed
      const data = new Uint8Array(dataBytes);
      this.#read(data, dataStart);
      onBytes?.(data);
      const read: ReadBytes = (bytes, position) =>
        bytes.set(data.subarray(position - dataStart, position - dataStart + bytes.length));
      const stored = { layout, table: data.slice(0, tiles.rowBytes * tiles.rows), read };
      const region = { x: 0, y: 0, width, height };
      out.forEach((plane, index) => readTiles(stored, tiles, region, index, plane));
      return out;
    }
    const size = sampleBytes(bitpix);
    const each = width * height;
    const total = each * layout.planes;
    const step = chunkBytes / size;
    for (let done = 0; done < total; done += step) {
      const count = Math.min(step, total - done);
      const bytes = scratchBytes(count * size);
      this.#read(bytes, dataStart + done * size);
      onBytes?.(bytes);
      for (let at = 0; at < count;) {
        const plane = Math.floor((done + at) / each);
        const inside = (done + at) % each;
        const part = Math.min(count - at, each - inside);
        decodeSamples(bytes.subarray(at * size), layout, out[plane].subarray(inside, inside + part));
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
      for (let done = 0; done < dataBytes; done += chunkBytes) {
        const bytes = scratchBytes(Math.min(chunkBytes, dataBytes - done));
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
