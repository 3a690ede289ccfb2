/** Small pictures of the tests of tone and colour, and a look at one pixel of theirs. */
import { linearToOklab, srgbToLinear } from "../../lib/core/colour_space.ts";
import { createImage, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";

/** A row of the given colours. */
export const rgb = (...pixels: readonly (readonly [number, number, number])[]): Image =>
  createImage({
    width: pixels.length,
    height: 1,
    unit: "adu",
    planes: ["R", "G", "B"].map((channel, c) => ({ channel, data: Float32Array.from(pixels.map((p) => p[c])) })),
  });

/** Samples of one pixel in the order of the planes. */
export const pixel = (image: Image, i: number) => image.planes.map((plane) => plane.data[i]);

/** Uniform noise: 0 to 100 ADU, or 0 to 1 on the screen. */
export const noisy = (seed: number, channels: readonly string[], unit: "adu" | "display" = "adu", size = 40): Image => {
  const random = randomStream(seed);
  const planes = channels.map((channel) => ({
    channel,
    data: Float32Array.from({ length: size * size }, () => unit === "adu" ? 100 * random.uniform() : random.uniform()),
  }));
  return createImage({ width: size, height: size, unit, planes });
};

/** Hue in degrees of a picture's pixel. */
export const hueOf = (image: Image, i: number): number => {
  const [r, g, b] = pixel(image, i).map(srgbToLinear);
  const [, x, y] = linearToOklab(r, g, b);
  return Math.atan2(y, x) * 180 / Math.PI;
};
