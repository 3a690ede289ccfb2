/** Images and headers from FITS files. */
import { basename } from "node:path";
import { FrameError } from "../core/errors.ts";
import { type BayerPattern, cropGeometry, type Region } from "../core/geometry.ts";
import { cardText, cardValue, type Header } from "../core/header.ts";
import { host } from "../core/host.ts";
import { createImage, type Image, type Plane } from "../core/image.ts";
import { allocateShared } from "../core/memory.ts";
import { settle } from "../core/options.ts";
import { bayerFromHeader, describeFrame } from "./describe_frame.ts";
import { type FilterNames, filterNames } from "./filter_names.ts";
import type { PlacedHdu } from "./fits_layout.ts";
import { sumBytes } from "./fits_sum.ts";
import { channelsOf, geometryOf, historyOf, unitOf } from "./image_cards.ts";
import { type FitsFile, openFits } from "./open_fits.ts";

/** Options of {@linkcode readFits}. */
export interface ReadFitsOptions {
  /** Number of the HDU, first 0; null for the first that holds an image. */
  readonly hdu: number | null;
  /** Rectangle to read, in pixels as stored; null for everything. Sums are not compared for a part. */
  readonly region: Region | null;
  /**
   * What to do when DATASUM or CHECKSUM disagree: refuse the file, accept it with a note in the history, or not look.
   */
  readonly checksum: "refuse" | "accept" | "ignore";
  /** Mosaic pattern seen from the first stored pixel, when it is known better than the header does; null for mono. */
  readonly bayer: BayerPattern | null | "header";
  /** Table of filter names, from which the channel of a single plane follows. */
  readonly names: FilterNames;
}

/** What {@linkcode readFits} uses for an option left out. */
export const readFitsDefaults: ReadFitsOptions = Object.freeze({
  hdu: null,
  region: null,
  checksum: "refuse",
  bayer: "header",
  names: filterNames,
});

/**
 * The cards of an image with those of an empty primary HDU behind them, which many writers use for the exposure's
 * cards.
 */
export function fullHeader(file: FitsFile, hdu: PlacedHdu): Header {
  if (hdu.index === 0 || cardValue(hdu.header, "INHERIT") === false) return hdu.header;
  const primary = file.hdu(0);
  if (primary.kind !== "empty") return hdu.header;
  const own = new Set(hdu.header.map((each) => each.keyword));
  const structural = /^(SIMPLE|BITPIX|NAXIS\d*|EXTEND|CHECKSUM|DATASUM|COMMENT|HISTORY|CONTINUE|EXTNAME|NEXTEND|)$/;
  return [...hdu.header, ...primary.header.filter(({ keyword }) => !own.has(keyword) && !structural.test(keyword))];
}

/**
 * Header of the first image of a FITS file, plain, tile-compressed or in a `.gz`. Of a gzip file only the start is
 * inflated. When an extension holds the image and the primary HDU is empty, the cards of both are given.
 *
 * Cost: opening the file and one read of about 29 kB.
 *
 * @throws {FrameError} when the file is missing, not FITS, damaged, or holds no image
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { mkdtempSync, rmSync } from "node:fs";
 * import { tmpdir } from "node:os";
 * import { join } from "node:path";
 * import { constantImage, writeFits } from "faintlight";
 * import { cardNumber, readFitsHeader } from "faintlight/io";
 *
 * const folder = mkdtempSync(join(tmpdir(), "fits-"));
 * writeFits(join(folder, "a.fits"), constantImage(4, 3, 7));
 * assert.equal(cardNumber(readFitsHeader(join(folder, "a.fits")), "NAXIS1"), 4);
 * rmSync(folder, { recursive: true });
 * ```
 */
export function readFitsHeader(path: string): Header {
  const file = openFits(path);
  try {
    return fullHeader(file, file.firstImage());
  } finally {
    file.close();
  }
}

/** Refuse an image whose data are cut short; notes when only padding is missing. */
export function assertWhole(file: FitsFile, hdu: PlacedHdu): string[] {
  const missing = file.missingBytes(hdu.index);
  if (missing > 0) {
    throw new FrameError(
      file.path,
      "truncated",
      `HDU ${hdu.index} lacks the last ${missing} of ${hdu.dataBytes} bytes of its data`,
      "the copy is incomplete; copy the file again",
    );
  }
  const note = file.paddingNote(hdu.index);
  return note === null ? [] : [note];
}

/** Compare the sums; the result is a note, or an error is thrown. */
function compareSums(file: FitsFile, hdu: PlacedHdu, dataSum: number, policy: "refuse" | "accept"): string[] {
  const sums = file.sums(hdu.index, dataSum);
  if (sums.verdict === "absent" || sums.verdict === "good") return [];
  const fact = sums.verdict === "header"
    ? `the header of HDU ${hdu.index} was changed after its CHECKSUM was written; its data are intact`
    : sums.dataStated === null
    ? `HDU ${hdu.index} adds up to ${sums.wholeFound}, not 4294967295 as its CHECKSUM promises`
    : `the data of HDU ${hdu.index} add up to ${sums.dataFound}, but DATASUM says ${sums.dataStated}`;
  if (policy === "accept") return [fact];
  throw new FrameError(
    file.path,
    "checksum",
    fact,
    sums.verdict === "header"
      ? 'read it with { checksum: "accept" } if the change was meant'
      : 'copy the file again, or read it with { checksum: "accept" } to look at it',
  );
}

/** Colours stored pixel by pixel look like a cube three columns wide, with as many planes as the picture has rows. */
function refuseInterleaved(path: string, hdu: PlacedHdu): void {
  // no picture is smaller than this, and no cube of ours has as many planes
  if (hdu.width === 3 && hdu.height >= 32 && hdu.planes >= 32) {
    throw new FrameError(
      path,
      "wrong-shape",
      `HDU ${hdu.index} has the axes 3 × ${hdu.height} × ${hdu.planes}: its colours are stored pixel by pixel`,
      "save it with one plane a colour (NAXIS3 = 3)",
    );
  }
}

type Extras = Pick<Image, "mask" | "variance" | "coverage">;

/** Mask, variance and coverage that {@linkcode writeFits} put behind the image. */
function readExtras(file: FitsFile, hdu: PlacedHdu, region: Region | null): Extras {
  let mask: Uint8Array | null = null;
  let variance: Float32Array[] | null = null;
  let coverage: Float32Array | null = null;
  if (cardValue(hdu.header, "FLRECORD") !== undefined) {
    for (const each of file.hdus.slice(hdu.index + 1)) {
      const part = cardText(each.header, "FLPART");
      if (part === null || each.width !== hdu.width || each.height !== hdu.height) break;
      const planes = region === null
        ? file.readPlanes(each.index)
        : Array.from({ length: each.planes }, (_, plane) => file.readRegion(each.index, region, plane));
      if (part === "mask") {
        mask = new Uint8Array(allocateShared(planes[0].length, true), 0, planes[0].length);
        mask.set(planes[0]);
      } else if (part === "variance") variance = planes;
      else if (part === "coverage") coverage = planes[0];
    }
  }
  return { mask, variance, coverage };
}

/**
 * Read an image from a FITS file: plain or tile-compressed, in a `.gz` or not, any BITPIX.
 *
 * Out: float32 planes in stored order (row 0 is the first row of the file), BSCALE and BZERO applied in float64, NaN
 * where BLANK or NaN says that there is no value. Unit from BUNIT, ADU when it is silent. Channels: `R`, `G`, `B` for
 * three planes, `mosaic` for a colour sensor, else the channel of the filter, else `L`; names that this library wrote
 * come first. Geometry with mosaic, scale and sky coordinates from the header. The history starts with this reading
 * and a digest of the stored bytes, behind whatever history the file itself carries.
 *
 * Cost: one pass over the file; the samples are decoded straight into the planes.
 *
 * @param path the file
 * @param options HDU, region, what to do about wrong sums, an override of the mosaic
 * @throws {FrameError} naming the file, the card or byte, the reason and a remedy
 * @throws {RangeError} when the region does not lie within the image
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { mkdtempSync, rmSync } from "node:fs";
 * import { tmpdir } from "node:os";
 * import { join } from "node:path";
 * import { constantImage, readFits, writeFits } from "faintlight";
 *
 * const folder = mkdtempSync(join(tmpdir(), "fits-"));
 * writeFits(join(folder, "a.fits"), constantImage(4, 3, 1234), { bitpix: 16, compress: "RICE_1" });
 * const image = readFits(join(folder, "a.fits"));
 * assert.equal(image.width, 4);
 * assert.equal(image.planes[0].data[11], 1234);
 * rmSync(folder, { recursive: true });
 * ```
 */
export function readFits(path: string, options: Partial<ReadFitsOptions> = {}): Image {
  const used = settle("readFits", readFitsDefaults, options);
  const file = openFits(path);
  try {
    const hdu = used.hdu === null ? file.firstImage() : file.hdu(used.hdu);
    if (hdu.layout === null) {
      throw new FrameError(path, "no-image", `HDU ${hdu.index} is no image but ${hdu.kind}`, "name another HDU");
    }
    refuseInterleaved(path, hdu);
    const header = fullHeader(file, hdu);
    const notes = [...hdu.notes, ...assertWhole(file, hdu)];
    const digest = host().sha256();
    let data: Float32Array[];
    if (used.region === null) {
      const summing = used.checksum !== "ignore" &&
        hdu.stored.some(({ keyword }) => keyword === "DATASUM" || keyword === "CHECKSUM");
      let sum = 0;
      data = file.readPlanes(hdu.index, (bytes) => {
        digest.update(bytes);
        if (summing) sum = sumBytes(bytes, sum);
      });
      if (summing) notes.push(...compareSums(file, hdu, sum, used.checksum === "accept" ? "accept" : "refuse"));
    } else {
      const region = used.region;
      data = Array.from({ length: hdu.planes }, (_, plane) => file.readRegion(hdu.index, region, plane));
      for (const plane of data) digest.update(new Uint8Array(plane.buffer, plane.byteOffset, plane.byteLength));
    }
    const kept = historyOf(header);
    if (typeof kept === "string") notes.push(kept);
    const bayer = used.bayer === "header" ? bayerFromHeader(header) : used.bayer;
    const facts = describeFrame(header, { names: used.names });
    const channels = channelsOf(header, hdu.planes, bayer, facts.filter);
    const planes: Plane[] = data.map((each, index) => ({ channel: channels[index], data: each }));
    const geometry = geometryOf(header, bayer);
    const region = used.region;
    return createImage(
      {
        width: region?.width ?? hdu.width,
        height: region?.height ?? hdu.height,
        planes,
        unit: unitOf(header),
        header: header.filter(({ keyword }) => keyword !== "FLRECORD"),
        geometry: region === null ? geometry : cropGeometry(geometry, region),
        ...readExtras(file, hdu, region),
      },
      {
        step: "readFits",
        options: {
          file: basename(path),
          hdu: hdu.index,
          region,
          bayer: used.bayer,
          digest: digest.hex().slice(0, 32),
        },
        notes,
      },
      kept === null || typeof kept === "string" ? [] : [{ history: kept }],
    );
  } finally {
    file.close();
  }
}
