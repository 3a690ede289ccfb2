import { describe, expect, it } from "vitest";
import { constantImage, createImage, derive, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { normalProbability } from "../../lib/stats/special_functions.ts";
import { applyCurve } from "../../lib/tone/apply_curve.ts";
import { automaticStretch } from "../../lib/tone/automatic_stretch.ts";
import { measureClipping } from "../../lib/tone/measure_clipping.ts";
import type { CurveParameters } from "../../lib/tone/curve.ts";
import { stretchImage } from "../../lib/tone/stretch_image.ts";
import { stretchAsinh } from "../../lib/tone/stretch_asinh.ts";
import { stretchLog } from "../../lib/tone/stretch_log.ts";
import { stretchPower } from "../../lib/tone/stretch_power.ts";
import { stretchRational } from "../../lib/tone/stretch_rational.ts";
import { stretchSigmoid } from "../../lib/tone/stretch_sigmoid.ts";
import { undoCurve } from "../../lib/tone/undo_curve.ts";
import { undoStretch } from "../../lib/tone/undo_stretch.ts";

const rgb = (...pixels: readonly (readonly [number, number, number])[]): Image =>
  createImage({
    width: pixels.length,
    height: 1,
    unit: "adu",
    planes: ["R", "G", "B"].map((channel, c) => ({ channel, data: Float32Array.from(pixels.map((p) => p[c])) })),
  });
const pixel = (image: Image, i: number) => image.planes.map((plane) => plane.data[i]);

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

describe("undoStretch", () => {
  const random = randomStream(11);
  const image = rgb(...Array.from({ length: 200 }, () => {
    const base = 50 + 800 * random.uniform();
    return [base, base * (0.8 + 0.2 * random.uniform()), base * (0.9 + 0.1 * random.uniform())] as const;
  }));
  const levels = { black: 10, white: 1200 };
  const cases: readonly (readonly [string, Image, CurveParameters, object])[] = [
    ["asinh", stretchAsinh(image, { ...levels, bend: 50 }), { family: "asinh", bend: 50 }, {}],
    [
      "asinh with grey sky",
      stretchAsinh(image, { ...levels, bend: 50, greyBelow: 100, colourAbove: 300 }),
      { family: "asinh", bend: 50 },
      { greyBelow: 100, colourAbove: 300 },
    ],
    ["log", stretchLog(image, { ...levels, bend: 50 }), { family: "log", bend: 50 }, {}],
    ["power", stretchPower(image, { ...levels, exponent: 0.6 }), { family: "power", exponent: 0.6 }, {}],
    ["rational", stretchRational(image, { ...levels, bias: 0.7 }), { family: "rational", bias: 0.7 }, {}],
    [
      "sigmoid",
      stretchSigmoid(image, { ...levels, contrast: 3, centre: 0.4 }),
      { family: "sigmoid", contrast: 3, centre: 0.4 },
      {},
    ],
  ];
  it.each(cases)("%s comes back to float32", (_name, drawn, curve, more) => {
    const back = undoStretch(drawn, { ...levels, ...more, curve });
    let worst = 0;
    let count = 0;
    for (let i = 0; i < 200; i++) {
      if (Math.max(...pixel(drawn, i)) >= 1) continue; // what was clamped is lost
      count++;
      for (let c = 0; c < 3; c++) worst = Math.max(worst, Math.abs(pixel(back, i)[c] - pixel(image, i)[c]));
    }
    expect(count).toBeGreaterThan(100);
    // One part in 2^24 of the range, times the slope of the inverse (at most 20 here).
    expect(worst).toBeLessThan(1200 * 2 ** -24 * 40);
  });
});

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

describe("applyCurve", () => {
  const picture = createImage({
    width: 2,
    height: 1,
    unit: "display",
    planes: ["R", "G", "B"].map((channel, c) => ({ channel, data: Float32Array.of([0.6, 0.4, 0.2][c], NaN) })),
  });
  const curve = { family: "spline", points: [[0, 0], [0.4, 0.5], [1, 1]] } as const;

  it("acts on luminance with ratios kept, on channels one by one, and on chroma with lightness kept", () => {
    pixel(applyCurve(picture, curve), 0).forEach((v, c) => expect(v).toBeCloseTo([0.75, 0.5, 0.25][c], 5));
    expect(pixel(applyCurve(picture, curve, { on: "channels" }), 0)[1]).toBeCloseTo(0.5, 6);
    const same = applyCurve(picture, { family: "power", exponent: 1 }, { on: "chroma" });
    pixel(same, 0).forEach((v, c) => expect(v).toBeCloseTo([0.6, 0.4, 0.2][c], 5));
    const more = pixel(applyCurve(picture, curve, { on: "chroma" }), 0);
    expect(more[0] - more[2]).toBeGreaterThan(0.4);
    expect(pixel(same, 1).every(Number.isNaN)).toBe(true);
  });

  it("refuses linear data and greys without chroma", () => {
    expect(() => applyCurve(constantImage(1, 1, 3))).toThrow("applyCurve: image must be a stretched picture");
    expect(() => applyCurve(constantImage(1, 1, 0.5, { unit: "display" }), undefined, { on: "chroma" })).toThrow(
      "must have R, G, B",
    );
  });
});

describe("undoCurve", () => {
  const random = randomStream(12);
  const planes = ["R", "G", "B"].map((channel) => ({
    channel,
    data: Float32Array.from({ length: 600 }, () => 0.1 + 0.6 * random.uniform()),
  }));
  const picture = createImage({ width: 30, height: 20, unit: "display", planes });
  const curves: readonly CurveParameters[] = [
    { family: "spline", points: [[0, 0], [0.12, 0.1], [0.5, 0.54], [1, 1]] },
    { family: "power", exponent: 0.8 },
    { family: "rational", bias: 0.6 },
    { family: "rationalContrast", gain: 0.4 },
    { family: "sigmoid", contrast: 4, centre: 0.4 },
    { family: "asinh", bend: 3 },
    { family: "log", bend: 3 },
  ];
  for (const curve of curves) {
    it.each(["luminance", "channels", "chroma"] as const)(`takes ${curve.family} off again, on %s`, (on) => {
      // Half of the colours would leave the screen with more chroma; they are made paler first.
      const start = on === "channels" ? picture : derive(picture, {
        planes: picture.planes.map(({ channel, data }) => ({ channel, data: data.map((v) => 0.4 + 0.1 * (v - 0.4)) })),
      }, { step: "paler", options: {} });
      const there = applyCurve(start, curve, { on });
      const back = undoCurve(there, curve, { on });
      let worst = 0;
      let moved = 0;
      for (let c = 0; c < 3; c++) {
        for (let i = 0; i < 600; i++) {
          worst = Math.max(worst, Math.abs(back.planes[c].data[i] - start.planes[c].data[i]));
          moved = Math.max(moved, Math.abs(there.planes[c].data[i] - start.planes[c].data[i]));
        }
      }
      expect(moved).toBeGreaterThan(0.001);
      expect(worst).toBeLessThan(2e-6);
    });
  }
});
