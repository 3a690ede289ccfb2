/** Overscan: columns that the sensor reads without light tell each row's electronic level. */
import { cropGeometry, type Region } from "../core/geometry.ts";
import { withoutCards } from "../core/header.ts";
import { allocatePlane, derive, type Image, requireLinear } from "../core/image.ts";
import { createMask } from "../core/mask.ts";
import { settle } from "../core/options.ts";
import { sectionKeywords } from "../io/frame_sections.ts";
import { median } from "../stats/median.ts";

/** Options of {@linkcode trimOverscan}. */
export interface TrimOverscanOptions {
  /** Columns without light, as a region of the frame; null for none: only trim. */
  readonly overscanRegion: Region | null;
  /** Part that holds the picture; null for everything left or right of the overscan, whichever is larger. */
  readonly keepRegion: Region | null;
  /** Rows whose levels are combined by their median, an odd number. */
  readonly smoothRows: number;
}

/**
 * What {@linkcode trimOverscan} uses for an option left out. `smoothRows` 11: the level of a row is then known √11
 * times better than from its own columns, while slow drifts are followed; own choice.
 */
export const trimOverscanDefaults: TrimOverscanOptions = Object.freeze({
  overscanRegion: null,
  keepRegion: null,
  smoothRows: 11,
});

/**
 * Take each row's overscan level off, and trim the frame to its picture.
 *
 * The level of a row is the median of its overscan columns, smoothed by a running median over `smoothRows` rows. In:
 * one plane, ADU. Out: the region `keep`; geometry, WCS and Bayer phase follow the crop; mask and variance are
 * cropped. Cost: one pass. Source: Howell 2006, Handbook of CCD Astronomy, section 3.
 *
 * @throws {TypeError} if the image has several planes or is a finished picture
 * @throws {RangeError} if a region does not lie within the frame, the overscan misses a row, or smoothRows is even
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, trimOverscan } from "faintlight";
 *
 * const frame = constantImage(10, 4, 500);
 * const trimmed = trimOverscan(frame, { overscanRegion: { x: 8, y: 0, width: 2, height: 4 } });
 * assert.deepEqual([trimmed.width, trimmed.planes[0].data[0]], [8, 0]);
 * ```
 */
export function trimOverscan(image: Image, options: Partial<TrimOverscanOptions> = {}): Image {
  const used = settle("trimOverscan", trimOverscanDefaults, options);
  requireLinear("trimOverscan", image);
  const { overscanRegion, smoothRows } = used;
  const { width, height } = image;
  if (image.planes.length !== 1) {
    throw new TypeError(`trimOverscan: image must have one plane, but has ${image.planes.length}`);
  }
  if (!(Number.isInteger(smoothRows) && smoothRows > 0 && smoothRows % 2 === 1)) {
    throw new RangeError(`trimOverscan: smoothRows must be an odd number above 0, but got ${smoothRows}`);
  }
  const inside = (name: string, region: Region) => {
    const { x, y } = region;
    const whole = [x, y, region.width, region.height].every(Number.isInteger);
    if (
      !(whole && x >= 0 && y >= 0 && region.width > 0 && region.height > 0 && x + region.width <= width &&
        y + region.height <= height)
    ) {
      throw new RangeError(
        `trimOverscan: ${name} must lie within ${width} × ${height}, but got ${region.width} × ${region.height} ` +
          `at (${x}, ${y})`,
      );
    }
  };
  if (overscanRegion !== null) inside("overscan", overscanRegion);
  let keep = used.keepRegion ?? { x: 0, y: 0, width, height };
  if (used.keepRegion === null && overscanRegion !== null) {
    const right = width - overscanRegion.x - overscanRegion.width;
    keep = right > overscanRegion.x
      ? { x: width - right, y: 0, width: right, height }
      : { x: 0, y: 0, width: overscanRegion.x, height };
  }
  inside("keep", keep);
  const { data } = image.planes[0];
  const levels = overscanRegion === null ? null : rowLevels(data, width, overscanRegion, keep, smoothRows);
  const out = allocatePlane(keep.width, keep.height);
  for (let y = 0, p = 0; y < keep.height; y++) {
    const from = (keep.y + y) * width + keep.x;
    const level = levels === null ? 0 : levels[y];
    for (let x = 0; x < keep.width; x++, p++) out[p] = data[from + x] - level;
  }
  const cropped = <T extends Float32Array | Uint8Array>(from: T, to: T): T => {
    for (let y = 0; y < keep.height; y++) {
      const start = (keep.y + y) * width + keep.x;
      to.set(from.subarray(start, start + keep.width), y * keep.width);
    }
    return to;
  };
  const notes = levels === null ? [] : [`overscan level ${median(levels).toFixed(2)} ADU`];
  return derive(image, {
    width: keep.width,
    height: keep.height,
    planes: [{ channel: image.planes[0].channel, data: out }],
    geometry: cropGeometry(image.geometry, keep),
    // These cards describe the frame before the crop.
    header: withoutCards(image.header, sectionKeywords),
    mask: image.mask === null ? null : cropped(image.mask, createMask(keep.width, keep.height)),
    variance: image.variance === null
      ? null
      : image.variance.map((plane) => cropped(plane, allocatePlane(keep.width, keep.height))),
    coverage: image.coverage === null ? null : cropped(image.coverage, allocatePlane(keep.width, keep.height)),
  }, { step: "trimOverscan", options: used, notes });
}

/** Level of each kept row. */
function rowLevels(
  data: Float32Array,
  width: number,
  overscan: Region,
  keep: Region,
  smoothRows: number,
): Float64Array {
  if (overscan.y > keep.y || overscan.y + overscan.height < keep.y + keep.height) {
    throw new RangeError(
      `trimOverscan: overscan must cover the kept rows ${keep.y} to ${
        keep.y + keep.height - 1
      }, but covers ${overscan.y} to ${overscan.y + overscan.height - 1}`,
    );
  }
  const own = new Float64Array(overscan.height);
  for (let y = 0; y < overscan.height; y++) {
    const from = (overscan.y + y) * width + overscan.x;
    own[y] = median(data.subarray(from, from + overscan.width));
  }
  const half = smoothRows >> 1;
  return Float64Array.from({ length: keep.height }, (_, y) => {
    const at = keep.y + y - overscan.y;
    return median(own.subarray(Math.max(0, at - half), Math.min(overscan.height, at + half + 1)));
  });
}
