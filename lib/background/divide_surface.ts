/** Take a fitted surface out of the response of an image. */
import { allocatePlane, derive, type Image } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { BackgroundSurface } from "./fit_surface.ts";
import { requireFitting } from "./subtract_surface.ts";

/** Options of {@linkcode divideSurface}. */
export interface DivideSurfaceOptions {
  /**
   * Level that was added evenly (sky that is no part of the uneven response), one number for all channels, in the unit
   * of the image.
   */
  readonly pedestal: number;
}

/** What {@linkcode divideSurface} uses for an option left out: all light went through the uneven response. */
export const divideSurfaceDefaults: Readonly<DivideSurfaceOptions> = Object.freeze({ pedestal: 0 });

/**
 * Divide by a surface, scaled to its median: for uneven response (vignetting that the flat field left).
 *
 *     y = pedestal + (x − pedestal) · (median − pedestal) / (surface − pedestal)
 *
 * In:  linear; the surface of the same size with one plane a channel. Out: same shape and unit; NaN where the image
 * has no data or the surface lies at or below the pedestal. Variance is scaled with the square of the factor. Cost:
 * one pass.
 *
 * @throws {TypeError} if the image is a stretched picture
 * @throws {RangeError} if size or number of planes differ, or the pedestal is no number
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { divideSurface, fitSurface, sampleBackground } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const data = Float32Array.from({ length: 240 * 160 }, (_, i) => 1000 * (1 + (i % 240) / 2400));
 * const image = createImage({ width: 240, height: 160, unit: "adu", planes: [{ channel: "L", data }] });
 * const even = divideSurface(image, fitSurface(sampleBackground(image)));
 * assert.ok(even.planes[0].data.every((v) => Math.abs(v / even.planes[0].data[0] - 1) < 1e-3));
 * ```
 */
export function divideSurface(
  image: Image,
  surface: BackgroundSurface,
  options: Partial<DivideSurfaceOptions> = {},
): Image {
  const used = settle("divideSurface", divideSurfaceDefaults, options);
  requireFitting("divideSurface", image, surface);
  const { pedestal } = used;
  if (!Number.isFinite(pedestal)) {
    throw new RangeError(`divideSurface: pedestal must be a number, but got ${pedestal}`);
  }
  const size = image.width * image.height;
  const variance = image.variance?.map(() => allocatePlane(image.width, image.height)) ?? null;
  const planes = image.planes.map(({ channel, data }, c) => {
    const out = allocatePlane(image.width, image.height);
    const model = surface.image.planes[c].data;
    const top = surface.levels[c] - pedestal;
    for (let i = 0; i < size; i++) {
      const response = model[i] - pedestal;
      const factor = response > 0 ? top / response : NaN;
      out[i] = pedestal + (data[i] - pedestal) * factor;
      if (variance !== null) variance[c][i] = (image.variance as readonly Float32Array[])[c][i] * factor * factor;
    }
    return { channel, data: out };
  });
  return derive(image, { planes, variance }, { step: "divideSurface", options: used }, [surface]);
}
