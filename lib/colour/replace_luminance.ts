/** Lightness from one picture, colour from another. */
import { allocatePlane, derive, type Image, requireDisplay, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { type Band, openBand, overBands } from "../kernels/bands.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { screenColours } from "../kernels/screen_colour.ts";
import { colourPlanes } from "./oklab_image.ts";

/** Options of {@linkcode replaceLuminance}. */
export interface ReplaceLuminanceOptions {
  /** Share of the new lightness, 0 … 1. */
  readonly strength: number;
}

/** What {@linkcode replaceLuminance} uses for an option left out: the new lightness alone. */
export const replaceLuminanceDefaults: Readonly<ReplaceLuminanceOptions> = Object.freeze({ strength: 1 });

/** Gives rows of colours the lightness of rows of greys. */
export function lightenRows(band: Band<{ readonly width: number; readonly share: number }>): void {
  const { from, to, parameters: { width, share } } = band;
  const { read, write } = openBand(band);
  const [red, green, blue, grey] = read as Float32Array[];
  const { out, lab, lightness, screen } = screenColours();
  for (let i = from * width; i < to * width; i++) {
    lab(red[i], green[i], blue[i]);
    const l = out[0];
    const made = l + share * (lightness(grey[i]) - l);
    // A black pixel has no colour to follow; below 2 % of white the ratio is held.
    const gain = made / Math.max(l, 0.02);
    screen(made, out[1] * gain, out[2] * gain);
    for (let c = 0; c < 3; c++) write[c][i] = made === made ? out[c] : NaN;
  }
}

const lightenTask: PoolTask<Band<{ readonly width: number; readonly share: number }>, void> = {
  module: import.meta.url,
  name: "lightenRows",
  run: lightenRows,
};

/**
 * Give a colour picture the lightness of another picture: the deeper or sharper luminance with the colours of R, G, B.
 * Chroma follows lightness in proportion, so that saturation looks the same; hue is kept.
 *
 * In:  both unit "display" and of one size; the first with three planes, the second with one. Out: like the first. NaN
 * in either gives NaN. Cost: about 0.5 µs a pixel.
 *
 * @throws {TypeError} if an image is linear or has the wrong number of planes
 * @throws {RangeError} if sizes differ or the share is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { replaceLuminance, constantImage } from "faintlight";
 *
 * const grey = constantImage(1, 1, 0.2, { unit: "display", channels: ["R", "G", "B"] });
 * const lifted = replaceLuminance(grey, constantImage(1, 1, 0.6, { unit: "display" }));
 * assert.ok(lifted.planes.every((plane) => Math.abs(plane.data[0] - 0.6) < 1e-5));
 * ```
 */
export function replaceLuminance(
  colour: Image,
  luminance: Image,
  options: Partial<ReplaceLuminanceOptions> = {},
): Image {
  const used = settle("replaceLuminance", replaceLuminanceDefaults, options);
  requireDisplay("replaceLuminance", colour);
  requireDisplay("replaceLuminance", luminance);
  requireSameSize("replaceLuminance", colour, luminance);
  const { strength } = used;
  if (!(strength >= 0 && strength <= 1)) {
    throw new RangeError(`replaceLuminance: share must lie within 0 … 1, but got ${strength}`);
  }
  if (luminance.planes.length !== 1) {
    throw new TypeError(`replaceLuminance: luminance must have one plane, but has ${luminance.planes.length}`);
  }
  const [red, green, blue] = colourPlanes("replaceLuminance", colour);
  const grey = luminance.planes[0].data;
  const out = colour.planes.map(({ channel }) => ({ channel, data: allocatePlane(colour.width, colour.height) }));
  const { width, height } = colour;
  overBands(lightenTask, height, 4 * width, [red, green, blue, grey], out.map(({ data }) => data), {
    width,
    share: strength,
  });
  return derive([colour, luminance], { planes: out }, { step: "replaceLuminance", options: used });
}
