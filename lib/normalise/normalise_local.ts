/**
 * Local normalisation: brings a frame's level, and where thin cloud asks for it its contrast, to those of a reference,
 * from place to place. Only the smooth difference of the two is fitted, so what both show (the nebula) stays.
 */
import type { Image } from "../core/image.ts";
import { applyNormalisation } from "./apply_normalisation.ts";
import { fitNormalisation, type FitNormalisationOptions, type FittedNormalisation } from "./fit_normalisation.ts";

/**
 * Normalise a registered image against a reference: fit, then apply.
 *
 * @param image linear image on the reference's grid
 * @param reference linear image of the same size
 * @param options as for {@linkcode fitNormalisation}; the transform must be left out, since the image is registered
 * @returns the normalised image and the surface that did it
 * @throws {RangeError} if sizes differ or a transform is given
 *
 * @example A sky that brightens to the right is brought to the reference
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, normaliseLocal } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const reference = constantImage(256, 192, 100);
 * const data = Float32Array.from({ length: 256 * 192 }, (_, i) => 140 + 0.1 * (i % 256));
 * const frame = createImage({ width: 256, height: 192, unit: "adu", planes: [{ channel: "L", data }] });
 * const { image } = normaliseLocal(frame, reference, { fluxRatio: 1 });
 * assert.ok(image.planes[0].data.every((each) => Math.abs(each - 100) < 0.2));
 * ```
 */
export function normaliseLocal(
  image: Image,
  reference: Image,
  options: Partial<FitNormalisationOptions> = {},
): { readonly image: Image; readonly surface: FittedNormalisation } {
  if (options.transform !== undefined && options.transform !== null) {
    throw new RangeError(
      "normaliseLocal: transform must be left out, because the image is taken as registered; resample it first",
    );
  }
  const surface = fitNormalisation(image, reference, options);
  return { image: applyNormalisation(image, surface), surface };
}
