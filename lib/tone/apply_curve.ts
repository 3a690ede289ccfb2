/** A tone curve on a finished picture. */
import { allocatePlane, derive, type Image, type Plane, requireDisplay } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { type Band, openBand, overBands } from "../kernels/bands.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { screenColours } from "../kernels/screen_colour.ts";
import { type Curve, curveOf, type CurveParameters, splineCurve } from "./curve.ts";
import { stretchPlanes, unstretchPlanes } from "./stretch_planes.ts";

/** Options of {@linkcode applyCurve}. */
export interface ApplyCurveOptions {
  /**
   * What it acts on: the mean of the channels with their ratios kept, each channel by itself, or the chroma (Oklab, 0.4
   * taken as 1) with lightness and hue kept.
   */
  readonly on: "luminance" | "channels" | "chroma";
}

/** What {@linkcode applyCurve} uses for an option left out. */
export const applyCurveDefaults: Readonly<ApplyCurveOptions> = Object.freeze({ on: "luminance" });

/** A mild rise of contrast about the lower middle, by our own judgement: what is laid on when no curve is named. */
export const mildContrast: Curve<"spline"> = splineCurve([[0, 0], [0.12, 0.1], [0.5, 0.54], [1, 1]]);

/** Chroma taken as 1: a little above the most vivid colour of an sRGB screen (0.32). */
const fullChroma = 0.4;

/** What is done to rows of colours. */
interface ChromaSettings {
  readonly width: number;
  readonly curve: CurveParameters;
  readonly inverse: boolean;
}

/** Lays a curve over the chroma of rows. */
export function chromaRows(band: Band<ChromaSettings>): void {
  const { width, inverse } = band.parameters;
  const curve = curveOf(band.parameters.curve);
  const { read, write } = openBand(band);
  const [red, green, blue] = read as Float32Array[];
  const { out, lab, screen } = screenColours();
  const at = inverse ? curve.inverseAt : curve.at;
  for (let i = band.from * width; i < band.to * width; i++) {
    lab(red[i], green[i], blue[i]);
    const chroma = Math.sqrt(out[1] * out[1] + out[2] * out[2]);
    const gain = chroma > 1e-6 ? at(chroma / fullChroma) * fullChroma / chroma : 1;
    screen(out[0], out[1] * gain, out[2] * gain);
    for (let c = 0; c < 3; c++) write[c][i] = out[c];
  }
}

const chromaTask: PoolTask<Band<ChromaSettings>, void> = {
  module: import.meta.url,
  name: "chromaRows",
  run: chromaRows,
};

/** A curve, or its inverse, on the chroma of a picture of three planes. */
function curveOnChroma(image: Image, curve: Curve, inverse: boolean): Plane[] {
  const { width, height } = image;
  const out = image.planes.map(({ channel }) => ({ channel, data: allocatePlane(width, height) }));
  overBands(chromaTask, height, 3 * width, image.planes.map(({ data }) => data), out.map(({ data }) => data), {
    width,
    curve,
    inverse,
  });
  return out;
}

/**
 * Lay a tone curve over a finished picture.
 *
 * In:  unit "display". Out: same shape and unit, 0 … 1. NaN stays NaN. Cost: one pass, about three times as long on
 * chroma.
 *
 * @param curve a curve, or its family and parameters; {@linkcode splineCurve} never overshoots. Left out, a mild rise
 *   of contrast about the lower middle
 * @throws {TypeError} if the image is linear, or chroma is asked of an image that has not three planes
 * @throws {RangeError} if the curve is none
 *
 * @example A point of the curve is met
 * ```ts
 * import assert from "node:assert/strict";
 * import { applyCurve, constantImage, splineCurve } from "faintlight";
 *
 * const grey = constantImage(1, 1, 0.25, { unit: "display" });
 * const lifted = applyCurve(grey, splineCurve([[0, 0], [0.25, 0.4], [1, 1]]));
 * assert.ok(Math.abs(lifted.planes[0].data[0] - 0.4) < 1e-7);
 * ```
 */
export function applyCurve(
  image: Image,
  curve: CurveParameters = mildContrast,
  options: Partial<ApplyCurveOptions> = {},
): Image {
  return throughCurve("applyCurve", image, curve, options);
}

/** A picture through a curve, or for `undoCurve` back through it. */
export function throughCurve(
  step: "applyCurve" | "undoCurve",
  image: Image,
  curve: CurveParameters,
  options: Partial<ApplyCurveOptions>,
): Image {
  const { on } = settle(step, applyCurveDefaults, options);
  requireDisplay(step, image);
  const made = curveOf(curve);
  const inverse = step === "undoCurve";
  const entry = { step, options: { curve: made, on } };
  if (on === "chroma") {
    if (image.planes.length !== 3) {
      throw new TypeError(`${step}: a curve on chroma must have R, G, B, but got ${image.planes.length} planes`);
    }
    return derive(image, { planes: curveOnChroma(image, made, inverse) }, entry);
  }
  if (on !== "luminance" && on !== "channels") {
    throw new RangeError(`${step}: on must be "luminance", "channels" or "chroma", but got ${JSON.stringify(on)}`);
  }
  const colour = on === "luminance" ? "kept" as const : "channels" as const;
  const draw = inverse ? unstretchPlanes : stretchPlanes;
  const levels = { black: 0, white: 1, colour, greyBelow: 0, colourAbove: 0 };
  return derive(image, { planes: draw(image, made, levels) }, entry);
}
