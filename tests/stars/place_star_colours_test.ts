import { describe, expect, it } from "vitest";
import { linearToOklab, srgbToLinear } from "../../lib/core/colour_space.ts";
import { constantImage, createImage, derive, type Image } from "../../lib/core/image.ts";
import { placeStarColours } from "../../lib/stars/place_star_colours.ts";
import { makeScene } from "../support/scenes_processing.ts";

const scene = makeScene({
  seed: 401,
  width: 360,
  height: 260,
  channels: ["R", "G", "B"],
  stars: 60,
  brightest: 1500,
  faintest: 60,
});
const nebula: Image = createImage({
  width: 360,
  height: 260,
  unit: "display",
  planes: [0.3, 0.1, 0.15].map((v, c) => ({ channel: "RGB"[c], data: new Float32Array(360 * 260).fill(v) })),
});
const hue = (r: number, g: number, b: number) => {
  const [, x, y] = linearToOklab(srgbToLinear(r), srgbToLinear(g), srgbToLinear(b));
  return { hue: Math.atan2(y, x), chroma: Math.hypot(x, y) };
};

describe("placeStarColours", () => {
  it("draws stars in the order of their colours, and leaves the picture between them as it is", () => {
    const made = placeStarColours(nebula, scene.image);
    let untouched = 0;
    let free = 0;
    for (let i = 0; i < 360 * 260; i++) {
      if (scene.starFlux[1][i] > 0.02 * scene.sigma) continue;
      free++; // a step of an 8-bit screen
      if (made.planes.every(({ data }, c) => Math.abs(data[i] - nebula.planes[c].data[i]) < 0.004)) untouched++;
    }
    expect(untouched / free).toBeGreaterThan(0.98);
    const colours = scene.stars.filter((s) => s.contrast > 100 && s.x > 12 && s.y > 12 && s.x < 347 && s.y < 247)
      .map((s) => {
        const i = Math.round(s.y) * 360 + Math.round(s.x);
        const [r, , b] = made.planes.map(({ data }) => data[i]);
        expect(r).toBeGreaterThan(0.3);
        return [Math.log(s.peaks[2] / s.peaks[0]), b - r] as const;
      });
    const n = colours.length;
    const mean = (k: 0 | 1) => colours.reduce((sum, c) => sum + c[k], 0) / n;
    const [mx, my] = [mean(0), mean(1)];
    const moment = (f: (x: number, y: number) => number) => colours.reduce((sum, [x, y]) => sum + f(x - mx, y - my), 0);
    const correlation = moment((x, y) => x * y) / Math.sqrt(moment((x) => x * x) * moment((_, y) => y * y));
    expect(n).toBeGreaterThan(15);
    expect(correlation).toBeGreaterThan(0.8);
  });

  it("makes the typical star white unless told not to", () => {
    const tinted = derive(scene.image, {
      planes: scene.image.planes.map(({ channel, data }, c) => ({
        channel,
        data: data.map((v) => 1000 + [2, 1, 0.5][c] * (v - 1000)),
      })),
    }, { step: "tint", options: {} });
    const black = constantImage(360, 260, 0, { unit: "display", channels: ["R", "G", "B"] });
    const meanChroma = (balance: boolean) => {
      const made = placeStarColours(black, tinted, { balance, saturation: 1 });
      let r = 0;
      let g = 0;
      let b = 0;
      let n = 0;
      for (let i = 0; i < 360 * 260; i++) {
        const [p, q, s] = made.planes.map(({ data }) => data[i]);
        if ((p + q + s) / 3 < 0.3 || p > 0.98) continue;
        r += p;
        g += q;
        b += s;
        n++;
      }
      return hue(r / n, g / n, b / n).chroma;
    };
    expect(meanChroma(true)).toBeLessThan(0.03);
    expect(meanChroma(false)).toBeGreaterThan(0.06);
  });

  it("refuses misuse by name", () => {
    expect(() => placeStarColours(scene.image, scene.image)).toThrow("placeStarColours: image must be a stretched");
    expect(() => placeStarColours(nebula, constantImage(360, 260, 5))).toThrow('must have channel "R"');
    expect(() => placeStarColours(nebula, scene.image, { strength: 2 })).toThrow("strength must lie within 0 … 1");
  });
});
