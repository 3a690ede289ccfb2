/**
 * Where an image lies. The centre of the first pixel is (0, 0); x is the column and y the row, as stored. A pixel
 * covers half a pixel on each side of its centre; FITS counts the first centre as (1, 1), and only `io/` knows that.
 */

/** A point in pixels. */
export interface Point {
  /** Column. */
  readonly x: number;
  /** Row as stored. */
  readonly y: number;
}

/** A rectangle of whole pixels. */
export interface Region {
  /** First column. */
  readonly x: number;
  /** First row. */
  readonly y: number;
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
}

/** Colours of the 2 × 2 block of a mosaic sensor, read in stored order from an image's first pixel. */
export type BayerPattern = "RGGB" | "BGGR" | "GRBG" | "GBRG";

/** Linear celestial coordinate system (FITS 4.0 section 8), reference pixel counted from 0. */
export interface Wcs {
  /** Axis types, for example `RA---TAN`, `DEC--TAN`. */
  readonly ctype: readonly [string, string];
  /** Reference pixel, first centre (0, 0). */
  readonly referencePixel: Point;
  /** Sky coordinates of the reference pixel, degrees. */
  readonly referenceDegrees: readonly [number, number];
  /** Degrees a pixel: CD1_1, CD1_2, CD2_1, CD2_2. */
  readonly cd: readonly [number, number, number, number];
}

/** How an image lies against the frame it came from. */
export interface Geometry {
  /** Position of this image's first pixel centre, in pixels of the source frame. */
  readonly origin: Point;
  /** Source-frame pixels a pixel of this image: 2 after 2 × 2 binning, 0.5 on a grid twice as fine. */
  readonly scale: number;
  /** Arcseconds a pixel of this image, when known. */
  readonly arcsecPerPixel: number | null;
  /** Sky coordinates, when known. */
  readonly wcs: Wcs | null;
  /** Colour of the sensor's pixels seen from this image's first pixel; null for mono and demosaiced images. */
  readonly bayer: BayerPattern | null;
}

/** Geometry of an image about which nothing is known. */
export const plainGeometry: Geometry = Object.freeze({
  origin: Object.freeze({ x: 0, y: 0 }),
  scale: 1,
  arcsecPerPixel: null,
  wcs: null,
  bayer: null,
});

/**
 * The pattern seen from a pixel that lies `dx` columns and `dy` rows further.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { shiftBayer } from "faintlight/geometry";
 *
 * assert.equal(shiftBayer("RGGB", 1, 0), "GRBG");
 * ```
 */
export function shiftBayer(pattern: BayerPattern, dx: number, dy: number): BayerPattern {
  const ox = ((dx % 2) + 2) % 2;
  const oy = ((dy % 2) + 2) % 2;
  const at = (x: number, y: number) => pattern[((y + oy) % 2) * 2 + (x + ox) % 2];
  return `${at(0, 0)}${at(1, 0)}${at(0, 1)}${at(1, 1)}` as BayerPattern;
}

/**
 * Geometry after taking the part that starts at `offset` (pixels of the image, fractions allowed except on a mosaic).
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { cropGeometry, plainGeometry } from "faintlight/geometry";
 *
 * assert.deepEqual(cropGeometry(plainGeometry, { x: 3, y: 2 }).origin, { x: 3, y: 2 });
 * ```
 */
export function cropGeometry(geometry: Geometry, offset: Point): Geometry {
  const { origin, scale, wcs, bayer } = geometry;
  return {
    ...geometry,
    origin: { x: origin.x + offset.x * scale, y: origin.y + offset.y * scale },
    bayer: bayer === null ? null : shiftBayer(bayer, offset.x, offset.y),
    wcs: wcs === null ? null : {
      ...wcs,
      referencePixel: { x: wcs.referencePixel.x - offset.x, y: wcs.referencePixel.y - offset.y },
    },
  };
}

/**
 * Geometry after a change of pixel size by `factor` (2 = pixels twice as wide). The corner of the first pixel stays,
 * so its centre moves by (factor − 1) / 2 old pixels: the half-pixel rule.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { plainGeometry, rescaleGeometry } from "faintlight/geometry";
 *
 * assert.deepEqual(rescaleGeometry(plainGeometry, 2).origin, { x: 0.5, y: 0.5 });
 * ```
 */
export function rescaleGeometry(geometry: Geometry, factor: number): Geometry {
  const { origin, scale, arcsecPerPixel, wcs } = geometry;
  const half = (factor - 1) / 2;
  return {
    origin: { x: origin.x + half * scale, y: origin.y + half * scale },
    scale: scale * factor,
    arcsecPerPixel: arcsecPerPixel === null ? null : arcsecPerPixel * factor,
    bayer: null,
    wcs: wcs === null ? null : {
      ...wcs,
      referencePixel: { x: (wcs.referencePixel.x - half) / factor, y: (wcs.referencePixel.y - half) / factor },
      cd: wcs.cd.map((each) => each * factor) as unknown as Wcs["cd"],
    },
  };
}
