/** Holds reduce_noise.ts, and by it significant_details.ts, detail_noise.ts, remove_specks.ts, plane_arithmetic.ts. */
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { reduceNoise, reduceNoiseMargin, reduceNoiseMeasures } from "../../lib/detail/reduce_noise.ts";
import { changedSamples, differingSamples, randomPatch } from "../support/patches.ts";
import { makeScene } from "../support/scenes_processing.ts";

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

describe("reduceNoise on a patch", () => {
  const channels = ["R", "G", "B"];
  const { image } = makeScene({ seed: 57, width: 360, height: 300, channels, nebula: [300, 150, 80], stars: 80 });
  const options = { scales: 4 };
  const whole = reduceNoise(image, options);
  const measured = reduceNoiseMeasures(image, options);

  it("equals the whole bit for bit, given its measures and the stated margin", () => {
    const patch = randomPatch(image, reduceNoiseMargin(options), 90, 60, 1);
    const made = reduceNoise(patch.image, { measured, ...options });
    expect(changedSamples(patch, image, whole)).toBeGreaterThan(10_000);
    expect(differingSamples(patch, made, whole)).toBe(0);
    // With its own measures, or with half of the margin, it would not.
    expect(differingSamples(patch, reduceNoise(patch.image, options), whole)).toBeGreaterThan(0);
    const near = randomPatch(image, Math.floor(reduceNoiseMargin(options) / 2), 90, 60, 1);
    expect(differingSamples(near, reduceNoise(near.image, { measured, ...options }), whole)).toBeGreaterThan(0);
  });

  it("gives the same for measures that went through JSON, and records them", () => {
    const stored = JSON.parse(JSON.stringify(measured));
    const made = reduceNoise(image, { measured: stored, ...options });
    made.planes.forEach(({ data }, c) => expect(data).toEqual(whole.planes[c].data));
    expect(made.history.nodes.at(-1)?.options.measured).toEqual(stored);
    expect(made.history.head).not.toBe(whole.history.head);
    expect(whole.history.nodes.at(-1)?.options).not.toHaveProperty("measured");
  });

  it("refuses measures of another image", () => {
    const { image: other } = makeScene({ seed: 58, width: 120, height: 90 });
    expect(() => reduceNoise(image, { measured: reduceNoiseMeasures(other) })).toThrow(
      "reduceNoise: the image must be a patch of the one that was measured, 120 × 90 pixels",
    );
  });
});
