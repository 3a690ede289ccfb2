import { describe, expect, it } from "vitest";
import { constantImage, createImage } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { enhanceDetail } from "../../lib/detail/enhance_detail.ts";
import { reduceNoise } from "../../lib/detail/reduce_noise.ts";
import { scaleNoise, starlet, starletGains } from "../../lib/filters/starlet.ts";
import { gaussianSmooth } from "../../lib/filters/gaussian.ts";
import { makeScene } from "../support/scenes_processing.ts";

describe("starlet", () => {
  it("gives the exact coefficients of a unit spike (kernel norms of Starck & Murtagh's transform)", () => {
    const data = new Float32Array(41 * 41);
    data[20 * 41 + 20] = 1;
    const { scales, rest } = starlet(data, 41, 41, 3);
    expect(scales[0][20 * 41 + 20]).toBeCloseTo(0.859375, 7);
    expect(scales[0][20 * 41 + 21]).toBeCloseTo(-0.09375, 7);
    expect(scales[1][20 * 41 + 20]).toBeCloseTo(0.111083984375, 7);
    for (let i = 0; i < data.length; i++) {
      expect(scales[0][i] + scales[1][i] + scales[2][i] + rest[i]).toBeCloseTo(data[i], 6);
    }
    let norm = 0;
    for (const v of scales[0]) norm += v * v;
    expect(Math.sqrt(norm)).toBeCloseTo(starletGains[0], 6);
  });

  it("measures white noise at every scale within its own error", () => {
    const random = randomStream(8);
    const data = Float32Array.from({ length: 300 * 300 }, () => 3 * random.gaussian());
    starlet(data, 300, 300, 4).scales.forEach((detail, j) => {
      expect(Math.abs(scaleNoise(detail) / starletGains[j] / 3 - 1)).toBeLessThan(0.02 * 2 ** j);
    });
  });
});

describe("gaussianSmooth", () => {
  it("keeps constants and slopes, spreads a spike with its sum kept, and bridges gaps", () => {
    const data = new Float32Array(31 * 31);
    data[15 * 31 + 15] = 1;
    const out = gaussianSmooth(data, 31, 31, 2);
    expect(out.reduce((a, b) => a + b)).toBeCloseTo(1, 5);
    // The sampled Gaussian, normalised: exp(−1/8) of the centre one pixel off.
    expect(out[15 * 31 + 16] / out[15 * 31 + 15]).toBeCloseTo(Math.exp(-1 / 8), 5);
    const gap = new Float32Array(31 * 31).fill(4);
    gap[100] = NaN;
    expect(gaussianSmooth(gap, 31, 31, 1.5).every((v) => Math.abs(v - 4) < 1e-5)).toBe(true);
  });
});

describe("reduceNoise", () => {
  it("lowers noise more than threefold in free sky and keeps stars and nebula", () => {
    const scene = makeScene({
      seed: 51,
      width: 360,
      height: 260,
      nebula: [300],
      stars: 60,
      brightest: 500,
      faintest: 50,
    });
    const out = reduceNoise(scene.image).planes[0].data;
    const before = scene.image.planes[0].data;
    let was = 0;
    let is = 0;
    let n = 0;
    let star = 0;
    let starTruth = 0;
    let nebula = 0;
    let truth = 0;
    for (let i = 0; i < out.length; i++) {
      const clean = scene.sky + scene.nebula[0][i] + scene.starFlux[0][i];
      if (scene.nebula[0][i] < 1 && scene.starFlux[0][i] < 1) {
        was += (before[i] - clean) ** 2;
        is += (out[i] - clean) ** 2;
        n++;
      }
      if (scene.starFlux[0][i] > 20 * scene.sigma) {
        star += out[i] - scene.sky - scene.nebula[0][i];
        starTruth += scene.starFlux[0][i];
      }
      if (scene.nebula[0][i] > 50) {
        nebula += out[i] - scene.sky - scene.starFlux[0][i];
        truth += scene.nebula[0][i];
      }
    }
    expect(n).toBeGreaterThan(10000);
    expect(Math.sqrt(is / was)).toBeLessThan(0.3);
    expect(Math.abs(star / starTruth - 1)).toBeLessThan(0.01);
    expect(Math.abs(nebula / truth - 1)).toBeLessThan(0.01);
  });

  it("takes colour noise down further than light, and single specks out", () => {
    const random = randomStream(5);
    const planes = ["R", "G", "B"].map((channel) => ({
      channel,
      data: Float32Array.from({ length: 120 * 120 }, () => 100 + 5 * random.gaussian()),
    }));
    planes[0].data[60 * 120 + 60] = 400;
    planes[1].data[30 * 120 + 30] = -200;
    const out = reduceNoise(createImage({ width: 120, height: 120, unit: "adu", planes })).planes.map((p) => p.data);
    const sd = (get: (i: number) => number) => {
      let sum = 0;
      let squares = 0;
      for (let i = 0; i < 14400; i++) {
        sum += get(i);
        squares += get(i) ** 2;
      }
      return Math.sqrt(squares / 14400 - (sum / 14400) ** 2);
    };
    const light = sd((i) => (out[0][i] + out[1][i] + out[2][i]) / 3) / (5 / Math.sqrt(3));
    const colour = sd((i) => out[0][i] - out[1][i]) / (5 * Math.sqrt(2));
    expect(light).toBeLessThan(0.35);
    expect(colour).toBeLessThan(0.7 * light);
    expect(Math.abs(out[0][60 * 120 + 60] - 100)).toBeLessThan(15);
    expect(Math.abs(out[1][30 * 120 + 30] - 100)).toBeLessThan(15);
  });

  it("keeps NaN and refuses misuse", () => {
    const image = createImage({
      width: 3,
      height: 1,
      unit: "adu",
      planes: [{ channel: "L", data: Float32Array.of(1, NaN, 3) }],
    });
    expect(reduceNoise(image).planes[0].data[1]).toBeNaN();
    expect(() => reduceNoise(image, { scales: 0 })).toThrow("scales must be a whole number of 1 … 7, but got 0");
    expect(() => reduceNoise(image, { grain: 2 })).toThrow("grain must lie within 0 … 1, but got 2");
  });
});

describe("enhanceDetail", () => {
  it("gains of 1 return the input", () => {
    const scene = makeScene({ seed: 52, width: 80, height: 60, nebula: [300] });
    expect([...enhanceDetail(scene.image, { gains: [1, 1, 1] }).planes[0].data]).toEqual([
      ...scene.image.planes[0].data,
    ]);
  });

  it("raises structure and leaves noise alone", () => {
    const width = 200;
    const height = 150;
    const random = randomStream(4);
    const wave = (i: number) => i % width < 100 ? 60 * Math.sin(i % width / 4) : 0;
    const data = Float32Array.from({ length: width * height }, (_, i) => 500 + wave(i) + 3 * random.gaussian());
    const image = createImage({ width, height, unit: "adu", planes: [{ channel: "L", data }] });
    const out = enhanceDetail(image, { gains: [1, 1, 1.5, 1.5] }).planes[0].data;
    let waves = 0;
    let noise = 0;
    for (let i = 0; i < data.length; i++) {
      if (i % width > 20 && i % width < 80) waves += (out[i] - 500) * wave(i) / (60 * 60 / 2 * 59 * height);
      if (i % width > 140) noise = Math.max(noise, Math.abs(out[i] - data[i]));
    }
    expect(waves).toBeGreaterThan(1.15);
    expect(noise).toBeLessThan(1.5);
    expect(() => enhanceDetail(image, { gains: [] })).toThrow("gains must be one to eight numbers");
    expect(enhanceDetail(constantImage(9, 9, 1, { unit: "display" })).planes[0].data[0]).toBe(1);
  });
});
