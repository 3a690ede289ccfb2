/** A picture as lightness and two colour axes, and back. */
import { linearToSrgb } from "../core/colour_space.ts";
import { allocatePlane, derive, type Image, planeOf, requireDisplay } from "../core/image.ts";
import { type Band, openBand, overBands } from "../kernels/bands.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { screenColours } from "../kernels/screen_colour.ts";

/** The three colour planes of a picture, by name or by place. */
export function colourPlanes(step: string, image: Image): readonly [Float32Array, Float32Array, Float32Array] {
  if (image.planes.length !== 3) {
    throw new TypeError(
      `${step}: image must have three planes, R, G, B, but has ${image.planes.length}; map channels first`,
    );
  }
  return image.planes.map((plane) => plane.data) as unknown as readonly [Float32Array, Float32Array, Float32Array];
}

/** Turns rows of screen colours into Oklab. */
export function labRows(band: Band<number>): void {
  const { read, write: [l, a, b] } = openBand(band);
  const [red, green, blue] = read as Float32Array[];
  const { out, lab } = screenColours();
  const width = band.parameters;
  for (let i = band.from * width; i < band.to * width; i++) {
    lab(red[i], green[i], blue[i]);
    l[i] = out[0];
    a[i] = out[1];
    b[i] = out[2];
  }
}

const labTask: PoolTask<Band<number>, void> = { module: import.meta.url, name: "labRows", run: labRows };

/** Lightness, a and b of three planes, into planes. */
export function labOfPlanes(
  planes: readonly Float32Array[],
  out: readonly Float32Array[],
  width: number,
  height: number,
): void {
  overBands(labTask, height, 3 * width, planes, out, width);
}

/** Turns rows of Oklab into screen colours. */
export function screenRows(band: Band<number>): void {
  const { read, write: [red, green, blue] } = openBand(band);
  const [l, a, b] = read as Float32Array[];
  const { out, screen } = screenColours();
  const width = band.parameters;
  for (let i = band.from * width; i < band.to * width; i++) {
    screen(l[i], a[i], b[i]);
    red[i] = out[0];
    green[i] = out[1];
    blue[i] = out[2];
  }
}

const screenTask: PoolTask<Band<number>, void> = { module: import.meta.url, name: "screenRows", run: screenRows };

/**
 * Lightness and colour of a picture (Oklab, Ottosson 2020) as planes `lightness`, `a`, `b`.
 *
 * In:  unit "display", three planes, sRGB encoded. Out: unit "display"; lightness 0 … 1, a and b about −0.3 … 0.3.
 * NaN in a channel gives NaN. Cost: about 0.2 µs a pixel.
 *
 * @throws {TypeError} if the image is linear or has not three planes
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, toOklab } from "faintlight";
 *
 * const white = toOklab(constantImage(1, 1, 1, { unit: "display", channels: ["R", "G", "B"] }));
 * assert.ok(Math.abs(white.planes[0].data[0] - 1) < 1e-6 && Math.abs(white.planes[1].data[0]) < 1e-6);
 * ```
 */
export function toOklab(image: Image): Image {
  requireDisplay("toOklab", image);
  const [red, green, blue] = colourPlanes("toOklab", image);
  const out = ["lightness", "a", "b"].map((channel) => ({ channel, data: allocatePlane(image.width, image.height) }));
  labOfPlanes([red, green, blue], out.map(({ data }) => data), image.width, image.height);
  return derive(image, { planes: out, variance: null }, { step: "toOklab", options: {} });
}

/**
 * A picture from lightness and colour. A colour the screen cannot show loses chroma at equal lightness and hue.
 *
 * In:  planes `lightness`, `a`, `b`. Out: unit "display", planes R, G, B, sRGB encoded, 0 … 1. Cost: about 0.3 µs a
 * pixel.
 *
 * @throws {TypeError} if a plane is missing
 *
 * @example There and back
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, fromOklab, toOklab } from "faintlight";
 *
 * const grey = constantImage(1, 1, 0.5, { unit: "display", channels: ["R", "G", "B"] });
 * assert.ok(fromOklab(toOklab(grey)).planes.every((plane) => Math.abs(plane.data[0] - 0.5) < 1e-5));
 * ```
 */
export function fromOklab(image: Image): Image {
  const [l, a, b] = ["lightness", "a", "b"].map((channel) => planeOf(image, channel).data);
  const out = ["R", "G", "B"].map((channel) => ({ channel, data: allocatePlane(image.width, image.height) }));
  overBands(screenTask, image.height, 3 * image.width, [l, a, b], out.map(({ data }) => data), image.width);
  return derive(image, { planes: out, unit: "display", variance: null }, { step: "fromOklab", options: {} });
}

/** Encoded grey of an Oklab lightness, and back: a grey of linear value y has lightness ∛y. */
export const greyOfLightness = (lightness: number): number => linearToSrgb(lightness * lightness * lightness);
