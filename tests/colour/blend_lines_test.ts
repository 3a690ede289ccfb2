import { describe, expect, it } from "vitest";
import { linearToOklab, srgbToLinear } from "../../lib/core/colour_space.ts";
import { constantImage, createImage } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { blendLines } from "../../lib/colour/blend_lines.ts";
import { hueOf, noisy, pixel } from "../support/pictures.ts";

describe("blendLines", () => {
  const painted = (height: number) => {
    const width = 120;
    const rows = 80;
    const random = randomStream(9);
    const share = (x: number) => x / (width - 1);
    const make = (of: (x: number, y: number) => number) =>
      Float32Array.from({ length: width * rows }, (_, i) => of(i % width, Math.floor(i / width)));
    const on = (y: number) => y > 20 ? 1 : 0;
    const lines = createImage({
      width,
      height: rows,
      unit: "adu",
      planes: [
        { channel: "Ha", data: make((x, y) => random.gaussian() + height * on(y) * (1 - 0.97 * share(x))) },
        { channel: "OIII", data: make((x, y) => random.gaussian() + height * on(y) * (0.03 + 0.97 * share(x))) },
      ],
    });
    const light = createImage({
      width,
      height: rows,
      unit: "display",
      planes: [{ channel: "L", data: make((_, y) => 0.1 + 0.6 * on(y) * (y - 20) / 60) }],
    });
    return { picture: blendLines(lines, light, { smoothingPixels: 1 }), width };
  };

  it("draws hydrogen red, oxygen teal, gold between, the sky grey; brightness is that of the luminance", () => {
    const { picture, width } = painted(200);
    const at = (x: number, y: number) => y * width + x;
    expect(Math.abs(hueOf(picture, at(3, 60)) - 25)).toBeLessThan(12);
    const teal = hueOf(picture, at(116, 60));
    expect(Math.abs(teal - (212 - 360))).toBeLessThan(12);
    const between = hueOf(picture, at(60, 60));
    expect(between).toBeGreaterThan(40);
    expect(between).toBeLessThan(130);
    const sky = pixel(picture, at(60, 5));
    expect(Math.max(...sky) - Math.min(...sky)).toBeLessThan(0.03);
    const [r, g, b] = pixel(picture, at(60, 60)).map(srgbToLinear);
    const grey = srgbToLinear(Math.fround(0.1 + 0.6 * 40 / 60));
    expect(linearToOklab(r, g, b)[0]).toBeCloseTo(linearToOklab(grey, grey, grey)[0], 4);
  });

  it("keeps the hue of a line through changes of luminance within 2°", () => {
    const { picture, width } = painted(3000);
    for (const x of [3, 116]) {
      const hues = [30, 40, 50, 60, 70, 78].map((y) => hueOf(picture, y * width + x));
      expect(Math.max(...hues) - Math.min(...hues)).toBeLessThan(2);
    }
  });

  it("mixes three lines by their shares and refuses one", () => {
    const lines = noisy(4, ["SII", "Ha", "OIII"]);
    const light = noisy(5, ["L"], "display");
    const hues = [{ channel: "SII", hueDegrees: 25 }, { channel: "Ha", hueDegrees: 85 }, {
      channel: "OIII",
      hueDegrees: 235,
    }];
    expect(blendLines(lines, light, { lines: hues }).planes.map((plane) => plane.channel)).toEqual(["R", "G", "B"]);
    expect(() => blendLines(lines, light, { lines: hues.slice(0, 1) })).toThrow("at least two, but got 1");
    expect(() => blendLines(light, light)).toThrow("must be linear");
    expect(() => blendLines(lines, lines)).toThrow("must be a stretched picture");
  });
});

describe("three lines that shine together", () => {
  it("spreads small differences of their shares over the palette", () => {
    // In each third of the field one line is a quarter stronger than the others.
    const width = 90;
    const height = 60;
    const random = randomStream("thirds");
    const lines = createImage({
      width,
      height,
      unit: "adu",
      planes: ["SII", "Ha", "OIII"].map((channel, c) => ({
        channel,
        data: Float32Array.from({ length: width * height }, (_, i) => {
          const y = Math.floor(i / width);
          const third = Math.floor(i % width / 30);
          return random.gaussian() + (y < 12 ? 0 : third === c ? 500 : 400);
        }),
      })),
    });
    const light = constantImage(width, height, 0.6, { unit: "display" });
    const hues = [{ channel: "SII", hueDegrees: 25 }, { channel: "Ha", hueDegrees: 85 }, {
      channel: "OIII",
      hueDegrees: 235,
    }];
    const picture = blendLines(lines, light, { lines: hues, skyRegion: { x: 0, y: 0, width, height: 10 } });
    const colours = hues.map((_, c) => {
      const [r, g, b] = pixel(picture, 40 * width + 15 + 30 * c).map(srgbToLinear);
      return linearToOklab(r, g, b);
    });
    const axes = hues.map((
      { hueDegrees },
    ) => [Math.cos(hueDegrees * Math.PI / 180), Math.sin(hueDegrees * Math.PI / 180)]);
    for (const [k, j] of [[0, 1], [0, 2], [1, 2]]) {
      const along = [axes[k][0] - axes[j][0], axes[k][1] - axes[j][1]];
      const length = Math.hypot(...along);
      const apart = [colours[k][1] - colours[j][1], colours[k][2] - colours[j][2]];
      // By the plain shares 5 : 4 : 4 two thirds would lie a thirteenth of their lines' colours apart.
      const plain = length / 13 * 0.15 * colours[k][0] / 0.65;
      expect((apart[0] * along[0] + apart[1] * along[1]) / length / plain).toBeGreaterThan(3);
    }
  });
});
