/** Take a fitted surface off an image, or out of its response. */
import { allocatePlane, derive, type Image, requireLinear, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { BackgroundSurface } from "./fit_surface.ts";

/** Options of {@linkcode subtractSurface}. */
export interface SubtractSurfaceOptions {
  /**
   * Whether the surface's median level stays in the image, so that noise keeps its photons and nothing turns negative.
   */
  readonly keepLevel: boolean;
}

/** What {@linkcode subtractSurface} uses for an option left out: the level stays. */
export const subtractSurfaceDefaults: Readonly<SubtractSurfaceOptions> = Object.freeze({ keepLevel: true });

/** Refuse a surface of another size or other channels. */
export function requireFitting(step: string, image: Image, surface: BackgroundSurface): void {
  requireLinear(step, image);
  requireSameSize(step, image, surface.image);
  if (surface.image.planes.length !== image.planes.length) {
    throw new RangeError(
      `${step}: the surface must have ${image.planes.length} planes like the image, but got ` +
        `${surface.image.planes.length}`,
    );
  }
}

/**
 * Subtract a surface: for light that was added (light pollution, the moon, glow).
 *
 * In:  linear; the surface of the same size with one plane a channel. Out: same shape and unit; NaN stays NaN; mask,
 * variance and coverage are kept (a surface has next to no noise). Cost: one pass.
 *
 * @throws {TypeError} if the image is a stretched picture
 * @throws {RangeError} if size or number of planes differ
 *
 * @example The gradient goes, the level stays
 * ```ts
 * import assert from "node:assert/strict";
 * import { fitSurface, sampleBackground, subtractSurface } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const data = Float32Array.from({ length: 240 * 160 }, (_, i) => 100 + (i % 240) / 10);
 * const image = createImage({ width: 240, height: 160, unit: "adu", planes: [{ channel: "L", data }] });
 * const flat = subtractSurface(image, fitSurface(sampleBackground(image)));
 * assert.ok(flat.planes[0].data.every((v) => Math.abs(v - 111.95) < 0.05));
 * ```
 */
export function subtractSurface(
  image: Image,
  surface: BackgroundSurface,
  options: Partial<SubtractSurfaceOptions> = {},
): Image {
  const used = settle("subtractSurface", subtractSurfaceDefaults, options);
  requireFitting("subtractSurface", image, surface);
  const planes = image.planes.map(({ channel, data }, c) => {
    const out = allocatePlane(image.width, image.height);
    const model = surface.image.planes[c].data;
    const level = used.keepLevel ? surface.levels[c] : 0;
    for (let i = 0; i < data.length; i++) out[i] = data[i] - (model[i] - level);
    return { channel, data: out };
  });
  return derive(image, { planes }, { step: "subtractSurface", options: used }, [surface]);
}
