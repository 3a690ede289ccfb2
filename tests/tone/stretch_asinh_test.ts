/** Covers stretch_planes.ts. */
import { describe, expect, it } from "vitest";
import { constantImage } from "../../lib/core/image.ts";
import { stretchAsinh } from "../../lib/tone/stretch_asinh.ts";
import { pixel, rgb } from "../support/pictures.ts";

describe("stretchAsinh on colour", () => {
  it("gives the 8-bit colours of astropy 5.2.1 make_lupton_rgb(stretch 5, Q 8), which divides by the largest channel", () => {
    // (10, 5, 2) → (178, 89, 35). Its map is asinh(Q I / stretch) / Q · frac normalised to 0.1; ours is the same curve
    // with black 0 and white chosen where that map reaches 1, so ratios and level must agree.
    const bend = 8;
    const Q = 8;
    const stretch = 5;
    const fraction = (I: number) => 0.1 * Math.asinh(Q * I / stretch) / Math.asinh(0.1 * Q);
    const white = stretch / Q * Math.sinh(Math.asinh(0.1 * Q) / 0.1);
    const image = rgb([10, 5, 2]);
    const drawn = pixel(stretchAsinh(image, { white, bend: Q * white / stretch }), 0);
    const I = 17 / 3;
    [10, 5, 2].forEach((v, c) => expect(drawn[c]).toBeCloseTo(fraction(I) * v / I, 6));
    expect(drawn.map((v) => Math.floor(v * 255))).toEqual([178, 89, 35]);
    expect(bend).toBe(Q);
  });

  it("keeps ratios where colour is full, whitens bright cores with hue and mean kept, greys the sky", () => {
    const image = rgb([60, 40, 20], [900, 600, 60], [12, 10, 8]);
    const options = { white: 1000, bend: 200, greyBelow: 20, colourAbove: 35 };
    const out = stretchAsinh(image, options);
    const [r, g, b] = pixel(out, 0);
    expect(r / b).toBeCloseTo(3, 5);
    expect(g / b).toBeCloseTo(2, 5);
    const core = pixel(out, 1);
    const mean = core.reduce((a, v) => a + v) / 3;
    expect(Math.max(...core)).toBeCloseTo(1, 6);
    expect((core[0] - mean) / (core[1] - mean)).toBeCloseTo((900 - 520) / (600 - 520), 4);
    expect(mean).toBeCloseTo(Math.asinh(200 * 0.52) / Math.asinh(200), 6);
    const sky = pixel(out, 2);
    const full = pixel(stretchAsinh(image, { ...options, greyBelow: 0, colourAbove: 0 }), 2);
    // Slope 1 / √(1 + 2²) against ratio asinh(2) / 2.
    expect((sky[0] - sky[2]) / (full[0] - full[2])).toBeCloseTo(2 / Math.sqrt(5) / Math.asinh(2), 5);
  });

  it("clamps, keeps NaN, leaves its input alone, records its options", () => {
    const image = rgb([-5, -5, -5], [NaN, 1, 1], [2000, 2000, 2000]);
    const before = image.planes.map((plane) => [...plane.data]);
    const out = stretchAsinh(image, { white: 1000 });
    expect(pixel(out, 0)).toEqual([0, 0, 0]);
    expect(pixel(out, 1).every(Number.isNaN)).toBe(true);
    expect(pixel(out, 2)).toEqual([1, 1, 1]);
    expect(image.planes.map((plane) => [...plane.data])).toEqual(before);
    expect(out.history.nodes.at(-1)?.options).toMatchObject({ white: 1000, bend: 1000, colour: "kept" });
    expect(out.unit).toBe("display");
  });

  it("refuses misuse by name", () => {
    const grey = constantImage(1, 1, 0.5, { unit: "display" });
    expect(() => stretchAsinh(grey)).toThrow('stretchAsinh: image must be linear, but its unit is "display"');
    expect(() => stretchAsinh(constantImage(1, 1, 1), { black: 5, white: 5 })).toThrow("white must be > 5, but got 5");
    expect(() => stretchAsinh(constantImage(1, 1, 1), { bend: -1 })).toThrow("bend must be > 0, but got -1");
    expect(() => stretchAsinh(constantImage(1, 1, 1), { greyBelow: 2, colourAbove: 1 })).toThrow(
      "colourAbove must be ≥ 2",
    );
  });
});
