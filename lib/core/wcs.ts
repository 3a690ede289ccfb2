/**
 * Sky coordinates of pixels and back: the gnomonic (TAN) projection of FITS 4.0 section 8, Calabretta & Greisen 2002.
 */
import type { Point, Wcs } from "./geometry.ts";

/** A place on the sky. */
export interface SkyPoint {
  /** Right ascension (or longitude), degrees, 0 ≤ ra < 360. */
  readonly ra: number;
  /** Declination (or latitude), degrees. */
  readonly dec: number;
}

const RADIAN = Math.PI / 180;

/**
 * Whether the projection of a coordinate system is one this file can compute; distortion terms behind it are left out.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import type { Wcs } from "faintlight/geometry";
 * import { isTangential } from "faintlight/sky";
 *
 * const wcs: Wcs = {
 *   ctype: ["RA---TAN", "DEC--TAN"],
 *   referencePixel: { x: 0, y: 0 },
 *   referenceDegrees: [10, 20],
 *   cd: [-1e-4, 0, 0, 1e-4],
 * };
 * assert.ok(isTangential(wcs));
 * ```
 */
export const isTangential = (wcs: Wcs): boolean =>
  /^(RA--|.LON|..LN)-TAN/.test(wcs.ctype[0]) && /^(DEC-|.LAT|..LT)-TAN/.test(wcs.ctype[1]);

function requireTangential(step: string, wcs: Wcs): void {
  if (!isTangential(wcs)) {
    throw new TypeError(`${step}: wcs must be a TAN projection with longitude first, but is ${wcs.ctype.join(", ")}`);
  }
}

/**
 * Sky coordinates of a pixel position. SIP and other distortion terms are not applied.
 *
 * @param wcs coordinate system, reference pixel counted from 0
 * @param pixel position, first centre (0, 0)
 * @throws {TypeError} if the projection is not TAN
 *
 * @example The reference pixel lies at the reference position
 * ```ts
 * import assert from "node:assert/strict";
 * import type { Wcs } from "faintlight/geometry";
 * import { pixelToSky } from "faintlight/sky";
 *
 * const wcs: Wcs = {
 *   ctype: ["RA---TAN", "DEC--TAN"],
 *   referencePixel: { x: 10, y: 20 },
 *   referenceDegrees: [83.8, -5.4],
 *   cd: [-0.001, 0, 0, 0.001],
 * };
 * const { ra, dec } = pixelToSky(wcs, { x: 10, y: 20 });
 * assert.ok(Math.abs(ra - 83.8) < 1e-12 && Math.abs(dec + 5.4) < 1e-12);
 * ```
 */
export function pixelToSky(wcs: Wcs, pixel: Point): SkyPoint {
  requireTangential("pixelToSky", wcs);
  const dx = pixel.x - wcs.referencePixel.x;
  const dy = pixel.y - wcs.referencePixel.y;
  const xi = (wcs.cd[0] * dx + wcs.cd[1] * dy) * RADIAN;
  const eta = (wcs.cd[2] * dx + wcs.cd[3] * dy) * RADIAN;
  const ra0 = wcs.referenceDegrees[0] * RADIAN;
  const dec0 = wcs.referenceDegrees[1] * RADIAN;
  const along = Math.cos(dec0) - eta * Math.sin(dec0);
  const ra = (ra0 + Math.atan2(xi, along)) / RADIAN;
  const dec = Math.atan2(Math.sin(dec0) + eta * Math.cos(dec0), Math.hypot(xi, along)) / RADIAN;
  return { ra: ((ra % 360) + 360) % 360, dec };
}

/**
 * Pixel position of sky coordinates; the reverse of {@linkcode pixelToSky}. NaN for a place 90° or more from the
 * reference.
 *
 * @param wcs coordinate system, reference pixel counted from 0
 * @param sky degrees
 * @throws {TypeError} if the projection is not TAN
 *
 * @example There and back
 * ```ts
 * import assert from "node:assert/strict";
 * import type { Wcs } from "faintlight/geometry";
 * import { pixelToSky, skyToPixel } from "faintlight/sky";
 *
 * const wcs: Wcs = {
 *   ctype: ["RA---TAN", "DEC--TAN"],
 *   referencePixel: { x: 10, y: 20 },
 *   referenceDegrees: [83.8, -5.4],
 *   cd: [-0.001, 0, 0, 0.001],
 * };
 * const back = skyToPixel(wcs, pixelToSky(wcs, { x: 300, y: -40 }));
 * assert.ok(Math.hypot(back.x - 300, back.y + 40) < 1e-8);
 * ```
 */
export function skyToPixel(wcs: Wcs, sky: SkyPoint): Point {
  requireTangential("skyToPixel", wcs);
  const ra0 = wcs.referenceDegrees[0] * RADIAN;
  const dec0 = wcs.referenceDegrees[1] * RADIAN;
  const ra = sky.ra * RADIAN - ra0;
  const dec = sky.dec * RADIAN;
  const depth = Math.sin(dec0) * Math.sin(dec) + Math.cos(dec0) * Math.cos(dec) * Math.cos(ra);
  if (!(depth > 0)) return { x: NaN, y: NaN };
  const xi = Math.cos(dec) * Math.sin(ra) / depth / RADIAN;
  const eta = (Math.cos(dec0) * Math.sin(dec) - Math.sin(dec0) * Math.cos(dec) * Math.cos(ra)) / depth / RADIAN;
  const [a, b, c, d] = wcs.cd;
  const determinant = a * d - b * c;
  return {
    x: wcs.referencePixel.x + (d * xi - b * eta) / determinant,
    y: wcs.referencePixel.y + (a * eta - c * xi) / determinant,
  };
}

/**
 * Arcseconds a pixel of a coordinate system: the square root of the area of a pixel.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import type { Wcs } from "faintlight/geometry";
 * import { wcsArcsecPerPixel } from "faintlight/sky";
 *
 * const wcs: Wcs = {
 *   ctype: ["RA---TAN", "DEC--TAN"],
 *   referencePixel: { x: 0, y: 0 },
 *   referenceDegrees: [10, 20],
 *   cd: [-1 / 3600, 0, 0, 1 / 3600],
 * };
 * assert.ok(Math.abs((wcsArcsecPerPixel(wcs) ?? 0) - 1) < 1e-12);
 * ```
 */
export const wcsArcsecPerPixel = (wcs: Wcs): number =>
  3600 * Math.sqrt(Math.abs(wcs.cd[0] * wcs.cd[3] - wcs.cd[1] * wcs.cd[2]));
