/** How deep a stack is, in a unit that rigs of any scale share. */
import { type Image, requireImage } from "../core/image.ts";
import type { Region } from "../core/geometry.ts";
import { measureLevels } from "./measure_levels.ts";
import { measurePairNoise } from "./measure_noise.ts";

/** Where to look, and what the stack was made with. */
export interface SurfaceToMeasure {
  /** A patch of even nebula. */
  readonly target: Region;
  /** A patch beside it that is as dark as the field gets. */
  readonly sky: Region;
  /** Scale of the halves. */
  readonly arcsecPerPixel: number;
  /** All lights of the stack together. */
  readonly totalExposureSeconds: number;
  /** Number of lights in the stack. */
  readonly lights: number;
}

/** Depth of a stack on a patch of nebula. */
export interface SurfaceSnr {
  /** Target above sky, unit of the image. */
  readonly signal: number;
  /** Noise of the stack in one pixel of its own grid, unit of the image. */
  readonly noise: number;
  /** SNR of a square arcsecond in the stack. */
  readonly snr: number;
  /** The same in one light. */
  readonly snrOfALight: number;
  /** The same after an hour. */
  readonly snrAnHour: number;
}

/**
 * Measure the SNR that one square arcsecond of a patch has, in the stack, in a light and after an hour. SNR of an area
 * grows as its root, and with the root of the time, where photons make the noise (Howell 2006, Handbook of CCD
 * Astronomy, section 4.4): so rigs of different scale and nights of different length become comparable.
 *
 * The noise comes from two halves of the stack _on their own grid_: interpolation to another one smooths it. The
 * level of a patch does not depend on the grid, so `image` may lie on the grid of another rig.
 *
 * @param image one channel, linear, with the patches
 * @param halves the stack's halves, same channel
 * @param facts patches, scale, exposure
 * @throws {RangeError} if a patch does not lie within the image, or scale, exposure or lights are not > 0
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { imageFromFunction, measureSurfaceSnr } from "faintlight";
 *
 * const half = (sign: number) => imageFromFunction(64, 64, (x, y) => (x < 32 ? 10 : 4) + sign * ((x + y) % 2 - 0.5));
 * const left = { x: 0, y: 0, width: 32, height: 64 };
 * const { signal, snr, snrAnHour } = measureSurfaceSnr(half(0), [half(1), half(-1)], {
 *   target: left,
 *   sky: { ...left, x: 32 },
 *   arcsecPerPixel: 2,
 *   totalExposureSeconds: 900,
 *   lights: 9,
 * });
 * assert.equal(signal, 6);
 * assert.equal(snrAnHour, 2 * snr);
 * ```
 */
export function measureSurfaceSnr(image: Image, halves: readonly [Image, Image], facts: SurfaceToMeasure): SurfaceSnr {
  requireImage("measureSurfaceSnr", image);
  const { target, sky, arcsecPerPixel, totalExposureSeconds, lights } = facts;
  for (const [name, value] of Object.entries({ arcsecPerPixel, totalExposureSeconds, lights })) {
    if (!(value > 0)) throw new RangeError(`measureSurfaceSnr: ${name} must be > 0, but got ${value}`);
  }
  const levelOf = (region: Region) => measureLevels(image, { region }).median ?? NaN;
  const signal = levelOf(target) - levelOf(sky);
  const noise = measurePairNoise(...halves) / Math.SQRT2;
  const snr = signal / (noise * arcsecPerPixel);
  const snrOfALight = snr / Math.sqrt(lights);
  return { signal, noise, snr, snrOfALight, snrAnHour: snr * Math.sqrt(3600 / totalExposureSeconds) };
}
