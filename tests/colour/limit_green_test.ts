import { describe, expect, it } from "vitest";
import { createImage, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { limitGreen } from "../../lib/colour/limit_green.ts";
import { pixel } from "../support/pictures.ts";

describe("limitGreen", () => {
  it("takes green noise down, keeps a real green object, keeps brightness", () => {
    const random = randomStream(5);
    const size = 100;
    const planes = ["R", "G", "B"].map((channel, c) => ({
      channel,
      data: Float32Array.from(
        { length: size * size },
        (_, i) => 100 + 5 * random.gaussian() + (i < 500 && c === 1 ? 200 : 0),
      ),
    }));
    const image = createImage({ width: size, height: size, unit: "adu", planes });
    const out = limitGreen(image);
    const greens = (it: Image) => {
      let n = 0;
      for (let i = 500; i < size * size; i++) {
        const [r, g, b] = pixel(it, i);
        if (g > r && g > b) n++;
      }
      return n;
    };
    expect(greens(out)).toBeLessThan(0.1 * greens(image));
    const green = out.planes[1].data.subarray(0, 500).reduce((a, b) => a + b) / 500;
    expect(green).toBeGreaterThan(295);
    for (let i = 0; i < 50; i++) {
      expect(pixel(out, i * 190).reduce((a, b) => a + b)).toBeCloseTo(pixel(image, i * 190).reduce((a, b) => a + b), 2);
    }
  });
});
