/** Back from a stretched picture to linear data. */
import { derive, type Image, requireDisplay, type Unit } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { Curve } from "./curve.ts";
import { requireStretchSettings, type StretchSettings, unstretchPlanes } from "./stretch.ts";

/** Options of {@linkcode undoStretch}: those of the stretch, its curve, and the unit to return to. */
export interface UndoStretchOptions extends StretchSettings {
  /** The curve that was used. */
  readonly curve: Curve;
  /** Unit of the linear data. */
  readonly unit: Exclude<Unit, "display">;
}

/** What {@linkcode undoStretch} uses for an option left out. */
export const undoStretchDefaults: Readonly<UndoStretchOptions> = Object.freeze({
  curve: Object.freeze({ kind: "asinh", bend: 1000 } as const),
  black: 0,
  white: 65535,
  colour: "kept",
  greyBelow: 0,
  colourAbove: 0,
  unit: "adu",
});

/**
 * Take a stretched picture back to linear data, with the settings it was stretched with.
 *
 * In:  unit "display". Out: same shape, the unit asked for.
 * Exact to float32 where the stretch clamped nothing; what was clamped returns as black or white. NaN stays NaN.
 * Cost: one pass.
 *
 * @throws {TypeError} if the image is linear
 *
 * @example There and back
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, stretchAsinh, undoStretch } from "faintlight";
 *
 * const settings = { black: 100, white: 5000 };
 * const drawn = stretchAsinh(constantImage(1, 1, 321), { ...settings, bend: 80 });
 * const back = undoStretch(drawn, { ...settings, curve: { kind: "asinh", bend: 80 } });
 * assert.ok(Math.abs(back.planes[0].data[0] - 321) < 0.001);
 * ```
 */
export function undoStretch(image: Image, options: Partial<UndoStretchOptions> = {}): Image {
  const used = settle("undoStretch", undoStretchDefaults, options);
  requireDisplay("undoStretch", image);
  requireStretchSettings("undoStretch", used);
  const planes = unstretchPlanes(image, used.curve, used);
  return derive(image, { planes, unit: used.unit, variance: null }, { step: "undoStretch", options: used });
}
