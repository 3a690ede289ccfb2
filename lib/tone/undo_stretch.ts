/** Back from a stretched picture to linear data. */
import { derive, type Image, requireDisplay, type Unit } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { type Stretch, type StretchSettings, stretchSettings } from "./stretch.ts";
import { unstretchPlanes } from "./stretch_planes.ts";

/** Options of {@linkcode undoStretch}. */
export interface UndoStretchOptions {
  /** Unit of the linear data. */
  readonly unit: Exclude<Unit, "display">;
}

/** What {@linkcode undoStretch} uses for an option left out. */
export const undoStretchDefaults: Readonly<UndoStretchOptions> = Object.freeze({ unit: "adu" });

/**
 * Take a stretched picture back to linear data, with the stretch it was made by.
 *
 * In:  unit "display". Out: same shape, the unit asked for.
 * Exact to float32 where the stretch clamped nothing; what was clamped returns as black or white. NaN stays NaN.
 * Cost: one pass.
 *
 * @param stretch the stretch that was found, or curve and levels as they were given by hand
 * @throws {TypeError} if the image is linear, or the stretch holds something unknown
 * @throws {RangeError} if a level or a parameter of the curve is out of range
 *
 * @example There and back
 * ```ts
 * import assert from "node:assert/strict";
 * import { asinhCurve, constantImage, stretchImage, undoStretch } from "faintlight";
 *
 * const stretch = { curve: asinhCurve(80), black: 100, white: 5000 };
 * const back = undoStretch(stretchImage(constantImage(1, 1, 321), stretch), stretch);
 * assert.ok(Math.abs(back.planes[0].data[0] - 321) < 0.001);
 * ```
 */
export function undoStretch(
  image: Image,
  stretch: Stretch | Partial<StretchSettings>,
  options: Partial<UndoStretchOptions> = {},
): Image {
  const { unit } = settle("undoStretch", undoStretchDefaults, options);
  requireDisplay("undoStretch", image);
  const used = stretchSettings("undoStretch", stretch);
  const planes = unstretchPlanes(image, used.curve, used);
  return derive(image, { planes, unit, variance: null }, { step: "undoStretch", options: { ...used, unit } });
}
