/** Covers stretch_measures.ts and stretch_image.ts. */
import { describe, expect, it } from "vitest";
import { constantImage, createImage, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { normalProbability } from "../../lib/stats/special_functions.ts";
import { automaticStretch } from "../../lib/tone/automatic_stretch.ts";
import { measureClipping } from "../../lib/tone/measure_clipping.ts";
import { stretchImage } from "../../lib/tone/stretch_image.ts";

describe("automaticStretch", () => {
  const scene = (seed: number, noise: number, nebula: number): Image => {
    const random = randomStream(seed);
    const width = 240;
    const height = 200;
    const planes = ["R", "G", "B"].map((channel) => ({ channel, data: new Float32Array(width * height) }));
    for (let y = 0, i = 0; y < height; y++) {
      for (let x = 0; x < width; x++, i++) {
        const glow = nebula * Math.exp(-((x - 120) ** 2 + (y - 100) ** 2) / 500);
        for (let c = 0; c < 3; c++) planes[c].data[i] = 500 + noise * random.gaussian() + glow * [1, 0.4, 0.5][c];
        if (i % 997 === 0) { for (let c = 0; c < 3; c++) planes[c].data[i] += 40000; }
      }
    }
    return createImage({ width, height, unit: "adu", planes });
  };

  it("draws the sky at the lightness asked for where the noise allows, and clips no more sky than said", () => {
    // L* = 13 is Y = 0.015627 (CIE 15:2004), sRGB 0.1312.
    const image = scene(1, 0.5, 4000);
    const found = automaticStretch(image, { maximumDrawnNoise: 0.2 });
    expect(found.drawnSky).toBeCloseTo(0.1312, 3);
    const drawn = stretchImage(image, found);
    const sky = drawn.planes[1].data.filter((_, i) => i < 240 * 20);
    const mean = sky.reduce((a, v) => a + v) / sky.length;
    expect(Math.abs(mean - found.drawnSky)).toBeLessThan(0.01);
    for (const share of measureClipping(drawn)) expect(share.atBlack).toBeLessThan(0.003);
  });

  it("goes no further than the noise allows, and says so", () => {
    const image = scene(2, 12, 4000);
    const found = automaticStretch(image);
    expect(found.drawnNoise).toBeLessThanOrEqual(0.02001);
    expect(found.notes.join()).toContain("the noise limits the stretch");
    const drawn = stretchImage(image, { ...found, colour: "channels" });
    const sky = drawn.planes[0].data.filter((_, i) => i < 240 * 20 && i % 997 !== 0);
    const mean = sky.reduce((a, v) => a + v) / sky.length;
    const deviation = Math.sqrt(sky.reduce((a, v) => a + (v - mean) ** 2, 0) / sky.length);
    expect(deviation).toBeGreaterThan(0.015);
    expect(deviation).toBeLessThan(0.023);
  });

  it("with hardly any signal gives up brightness before black", () => {
    const random = randomStream(31);
    // A single short frame of a cluster: noise of 12, the highest star 60 above the sky.
    const data = Float32Array.from(
      { length: 200 * 200 },
      (_, i) => 500 + 12 * random.gaussian() + (i % 211 === 0 ? 60 * random.uniform() : 0),
    );
    const image = createImage({ width: 200, height: 200, unit: "adu", planes: [{ channel: "L", data }] });
    const found = automaticStretch(image);
    const { black, drawnSky, notes, sky: [{ level, noise }] } = found;
    expect(drawnSky).toBeLessThanOrEqual(0.131);
    expect(drawnSky).toBeGreaterThan(0.05);
    expect((level - black) / noise).toBeLessThan(3.2);
    expect(notes.join(" ")).toContain("hardly any signal");
    const [{ atBlack }] = measureClipping(stretchImage(image, found));
    expect(atBlack).toBeLessThan(0.003);
    // With ten thousand times the noise above the sky there is signal, and nothing is said.
    const bright = createImage({
      width: 200,
      height: 200,
      unit: "adu",
      planes: [{ channel: "L", data: data.map((v, i) => i % 211 === 0 ? v + 120_000 : v) }],
    });
    expect(automaticStretch(bright).notes.join(" ")).not.toContain("hardly any signal");
  });

  it("where no sky is free, black lies no lower than the data", () => {
    const data = Float32Array.from(
      { length: 200 * 200 },
      (_, i) => 5 + 4 * Math.sin(i % 200 / 9) * Math.cos(Math.floor(i / 200) / 20),
    );
    const image = createImage({ width: 200, height: 200, unit: "adu", planes: [{ channel: "L", data }] });
    const { black } = automaticStretch(image);
    expect(black).toBeGreaterThan(0);
  });

  it("draws no more than half of a field full of nebula lighter than the middle of the screen's range", () => {
    // Gas everywhere, from 20 at the left to 2000 at the right; free sky in the first columns only.
    const random = randomStream("gas everywhere");
    const width = 240;
    const height = 120;
    const gas = (reach: number) =>
      createImage({
        width,
        height,
        unit: "adu",
        planes: [{
          channel: "L",
          data: Float32Array.from({ length: width * height }, (_, i) => {
            const x = i % width;
            return 300 + random.gaussian() + (x < reach ? 0 : 20 * 10 ** (2 * (x - reach) / (width - reach)));
          }),
        }],
      });
    // L* = 50 is Y = 0.184187 (CIE 15:2004), sRGB 0.4663.
    const drawnMedian = (image: Image) => {
      const found = automaticStretch(image, { skyRegion: { x: 0, y: 0, width: 30, height }, maximumDrawnNoise: 0.5 });
      return { found, middle: stretchImage(image, found).planes[0].data.toSorted()[width * height / 2] };
    };
    const full = drawnMedian(gas(30));
    const little = drawnMedian(gas(200));
    expect(full.middle).toBeCloseTo(0.4663, 3);
    expect(full.found.notes.join()).toContain("nebula fills the field");
    expect(full.found.drawnSky).toBeLessThan(0.1312);
    expect(little.middle).toBeLessThan(0.2);
    expect(little.found.notes.join()).not.toContain("nebula fills");
    expect(little.found.drawnSky).toBeCloseTo(0.1312, 3);
  });

  it("black lies where the normal distribution leaves the share asked for", () => {
    const found = automaticStretch(scene(3, 0.5, 1000), { clippedSkyShare: 0.02, maximumDrawnNoise: 0.5 });
    const widest = found.sky.reduce((a, b) => a.noise > b.noise ? a : b);
    const level = found.sky.reduce((a, b) => a + b.level, 0) / 3;
    expect(normalProbability((found.black - level) / widest.noise)).toBeCloseTo(0.02, 6);
  });

  it("does not mind a constant picture's lack of noise but refuses one without data", () => {
    const two = createImage({
      width: 2,
      height: 1,
      unit: "adu",
      planes: [{ channel: "L", data: Float32Array.of(1, 9) }],
    });
    expect(automaticStretch(two, { white: 20 }).notes.join()).toContain("no noise");
    const none = constantImage(4, 4, NaN);
    expect(() => automaticStretch(none)).toThrow("image must hold at least one number");
    expect(() => automaticStretch(two, { skyLightness: 90 })).toThrow(
      "skyLightness must lie inside 0 … 50, but got 90",
    );
  });
});
