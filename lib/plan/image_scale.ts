/** What a telescope and a camera see: scale, field, sampling. */

/** Arcseconds in a radian, over a thousand: micrometres of pixel and millimetres of focal length to arcseconds. */
const arcsecPerMilliradian = 206.26480624709636;

/**
 * Angle that a pixel sees, arcseconds: 206.2648 p / f for a pixel of p µm behind f mm (Howell 2006, Handbook of CCD
 * Astronomy, equation 4.1).
 *
 * @param pixelMicrometres side of a pixel, > 0
 * @param focalLengthMm of the telescope with all its lenses, > 0
 * @throws {RangeError} if either is not > 0
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { imageScale } from "faintlight/plan";
 *
 * assert.equal(imageScale(4, 825).toFixed(4), "1.0001");
 * ```
 */
export function imageScale(pixelMicrometres: number, focalLengthMm: number): number {
  for (const [name, value] of Object.entries({ pixelMicrometres, focalLengthMm })) {
    if (!(value > 0)) throw new RangeError(`imageScale: ${name} must be > 0, but got ${value}`);
  }
  return arcsecPerMilliradian * pixelMicrometres / focalLengthMm;
}

/**
 * Angle that a side of the sensor sees, degrees: 2 atan(d / 2f).
 *
 * @param pixels along the side
 * @param arcsecPerPixel scale in the middle of the field
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { fieldAlong, imageScale } from "faintlight/plan";
 *
 * assert.equal((60 * fieldAlong(5000, imageScale(4, 825))).toFixed(2), "83.34");
 * ```
 */
export function fieldAlong(pixels: number, arcsecPerPixel: number): number {
  return 2 * Math.atan(pixels * arcsecPerPixel / (2000 * arcsecPerMilliradian)) * 180 / Math.PI;
}
