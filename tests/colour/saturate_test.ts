import { describe, expect, it } from "vitest";
import { linearToOklab, srgbToLinear } from "../../lib/core/colour_space.ts";
import { createImage, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { saturate } from "../../lib/colour/saturate.ts";
import { hueOf, pixel } from "../support/pictures.ts";

describe("saturate", () => {
  it("keeps lightness and hue, gives greys at 0, and leaves the noise of the sky its colour", () => {
    const random = randomStream(8);
    const size = 100;
    const planes = ["R", "G", "B"].map((channel, c) => ({
      channel,
      data: Float32Array.from(
        { length: size * size },
        (_, i) => 0.12 + 0.01 * random.gaussian() + (i < 500 ? [0.4, 0.25, 0.2][c] : 0),
      ),
    }));
    const image = createImage({ width: size, height: size, unit: "display", planes });
    const more = saturate(image, { factor: 1.5 });
    const chroma = (it: Image, i: number) => {
      const [r, g, b] = pixel(it, i).map(srgbToLinear);
      const [, x, y] = linearToOklab(r, g, b);
      return Math.hypot(x, y);
    };
    expect(chroma(more, 100) / chroma(image, 100)).toBeCloseTo(1.5, 2);
    expect(Math.abs(hueOf(more, 100) - hueOf(image, 100))).toBeLessThan(0.1);
    let sky = 0;
    for (let i = 5000; i < 6000; i++) sky += chroma(more, i) / chroma(image, i) / 1000;
    expect(sky).toBeLessThan(1.02);
    const grey = pixel(saturate(image, { factor: 0 }), 100);
    expect(Math.max(...grey) - Math.min(...grey)).toBeLessThan(1e-5);
    expect(() => saturate(image, { factor: -1 })).toThrow("factor must be ≥ 0, but got -1");
  });
});
