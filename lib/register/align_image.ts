/** One image brought onto the grid of another by their stars. */
import { referenceCanvas } from "../core/canvas.ts";
import { type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { WarpKernel } from "../kernels/warp_tile.ts";
import { detectStars } from "../stars/detect_stars.ts";
import type { ExpectedMatch } from "./expected_match.ts";
import type { TransformModel } from "./fit_transform.ts";
import { matchStars } from "./match_stars.ts";
import { resample } from "./resample.ts";

/** Options of {@linkcode alignImage}. */
export interface AlignImageOptions {
  /** Family of the map, see `fitTransform`. */
  readonly model: TransformModel | "automatic";
  /** "any": two rigs or two nights; "same-sensor": one rig; or limits of scale. */
  readonly expected: "any" | "same-sensor" | ExpectedMatch;
  /** Interpolation, see `resample`. */
  readonly interpolation: WarpKernel;
}

/** What {@linkcode alignImage} uses for an option left out. */
export const alignImageDefaults: AlignImageOptions = Object.freeze({
  model: "automatic",
  expected: "any",
  interpolation: "lanczos3",
});

/** Images are stacks or of two rigs as a rule: nothing stands still on a sensor unless it is said. */
function expectedOf(expected: AlignImageOptions["expected"]): "same-sensor" | ExpectedMatch {
  if (expected === "same-sensor") return expected;
  return { sameSensor: false, ...(expected === "any" ? {} : expected) };
}

/**
 * Bring an image onto the grid of another: detect the stars of both, match them, resample. Pixels that the image does
 * not show are NaN.
 *
 * Cost: star detection on both, one resampling.
 *
 * @param image linear, with stars
 * @param reference linear image of the same field; of several channels the first with stars is used
 * @throws {RegistrationError} if the stars do not match
 * @throws {TypeError} if an image is a finished picture
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { alignImage, constantImage } from "faintlight";
 *
 * assert.throws(() => alignImage(constantImage(64, 64, 1), constantImage(64, 64, 1)), { name: "RegistrationError" });
 * ```
 */
export function alignImage(image: Image, reference: Image, options: Partial<AlignImageOptions> = {}): Image {
  const { model, expected, interpolation } = settle("alignImage", alignImageDefaults, options);
  requireLinear("alignImage", image);
  requireLinear("alignImage", reference);
  const { transform } = matchStars(detectStars(image), detectStars(reference), {
    expected: expectedOf(expected),
    model,
  });
  return resample(image, transform, referenceCanvas(reference), { interpolation });
}
