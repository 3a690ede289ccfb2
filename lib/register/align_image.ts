/** One image brought onto the grid of another by their stars. */
import { referenceCanvas } from "../core/canvas.ts";
import { type Image, requireLinear } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { WarpKernel } from "../kernels/warp_tile.ts";
import { detectStars } from "../stars/detect_stars.ts";
import type { TransformModel } from "./fit_transform.ts";
import { matchStars, type MatchStarsOptions } from "./match_stars.ts";
import { resample } from "./resample.ts";

/** What is known of two frames before their stars are matched. */
export interface ExpectedScale {
  /** Smallest reference pixels a source pixel. */
  readonly minimumScale?: number;
  /** Largest reference pixels a source pixel. */
  readonly maximumScale?: number;
  /** Whether a frame may be turned over. */
  readonly mirror?: boolean;
}

/** Options of {@linkcode alignImage}. */
export interface AlignImageOptions {
  /** Family of the map, see `fitTransform`. */
  readonly model: TransformModel | "automatic";
  /** "any": two rigs or two nights; "same-sensor": one focal length and orientation; or limits of scale. */
  readonly expected: "any" | "same-sensor" | ExpectedScale;
  /** Interpolation, see `resample`. */
  readonly interpolation: WarpKernel;
}

/** What {@linkcode alignImage} uses for an option left out. */
export const alignImageDefaults: AlignImageOptions = Object.freeze({
  model: "automatic",
  expected: "any",
  interpolation: "lanczos3",
});

/** Change of the focal length of one rig with temperature and focus: as for the frames of a night. */
const sameSensorScale = { minimumScale: 0.97, maximumScale: 1.03, mirror: false, sameSensor: true };

function expectedOptions(expected: AlignImageOptions["expected"]): Partial<MatchStarsOptions> {
  if (expected === "same-sensor") return sameSensorScale;
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
  const { transform } = matchStars(detectStars(image).stars, detectStars(reference).stars, {
    ...expectedOptions(expected),
    model,
    sourceSize: image,
    referenceSize: reference,
  });
  return resample(image, transform, referenceCanvas(reference), { interpolation });
}
