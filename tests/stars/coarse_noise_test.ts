/** The noise of a pixel where a sensor counts in coarse steps, against normal noise that is rounded. */
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { type Image, measureFrame, measureNoise } from "../../lib/mod.ts";
import { noiseWithRounding, stepOfCounts } from "../../lib/stars/coarse_noise.ts";
import { normalProbability } from "../../lib/stats/special_functions.ts";

const side = 512;

/** A sloping sky with normal noise and forty stars, in whole steps. */
function coarseFrame(step: number, sigma: number, seed: number): Image {
  const random = randomStream(seed);
  const data = Float32Array.from(
    { length: side * side },
    (_, i) => 1000.3 + 0.05 * (i % side) + 0.02 * Math.floor(i / side) + sigma * random.gaussian(),
  );
  for (let star = 0; star < 40; star++) {
    const column = 20 + Math.floor(random.uniform() * (side - 40));
    const row = 20 + Math.floor(random.uniform() * (side - 40));
    const peak = 20 * Math.max(sigma, step) * (1 + 10 * random.uniform());
    for (let y = -12; y <= 12; y++) {
      for (let x = -12; x <= 12; x++) {
        data[(row + y) * side + column + x] += peak * Math.exp(-(x * x + y * y) / 4.5);
      }
    }
  }
  const counts = data.map((v) => step * Math.round(v / step));
  return createImage({ width: side, height: side, unit: "adu", planes: [{ channel: "L", data: counts }] });
}

/** Noise and what rounding adds, step² / 12 (Bennett 1948, Bell Syst. Tech. J. 27, 446, from memory). */
const withRounding = (sigma: number, step: number): number => Math.sqrt(sigma * sigma + step * step / 12);

/** Variance of rounded normal noise about its own mean, averaged over levels, by summing over the counts. */
function roundedVariance(sigma: number): number {
  const levels = 200;
  const reach = Math.ceil(8 * sigma) + 2;
  let total = 0;
  for (let level = 0; level < levels; level++) {
    const centre = (level + 0.5) / levels;
    let mean = 0;
    let square = 0;
    for (let count = -reach; count <= reach + 1; count++) {
      const share = normalProbability((count + 0.5 - centre) / sigma) -
        normalProbability((count - 0.5 - centre) / sigma);
      mean += share * count;
      square += share * count * count;
    }
    total += square - mean * mean;
  }
  return total / levels;
}

describe("noiseWithRounding", () => {
  it("finds the noise again from the variance of rounded normal noise", () => {
    for (const sigma of [0.1, 0.2, 0.35, 0.6, 1, 3]) {
      const seen = 4 * Math.sqrt(roundedVariance(sigma));
      expect(noiseWithRounding(seen, 4) / withRounding(4 * sigma, 4)).toBeCloseTo(1, 3);
    }
  });

  it("is what rounding adds where every neighbour is alike", () => {
    expect(noiseWithRounding(0, 12)).toBeCloseTo(Math.sqrt(12), 5);
  });
});

describe("stepOfCounts", () => {
  it("is the step of whole counts, and NaN where samples lie anywhere or are alike", () => {
    expect(stepOfCounts(coarseFrame(16, 50, 1).planes[0].data)).toBe(16);
    expect(stepOfCounts(Float32Array.from({ length: 500 }, (_, i) => Math.sqrt(i)))).toBe(NaN);
    expect(stepOfCounts(new Float32Array(100))).toBe(NaN);
  });
});

describe("noise of frames in steps of 1, 4 and 16", () => {
  const cases = [1, 4, 16].flatMap((step) => [0.5, 1, 2, 4, 8, 16, 50].map((sigma) => ({ step, sigma })));
  it("lies within 3 % of noise and rounding together, 4 % below a quarter of a step", () => {
    for (const { step, sigma } of cases) {
      const image = coarseFrame(step, sigma, 1000 * step + sigma);
      const truth = withRounding(sigma, step);
      const limit = sigma < step / 4 ? 0.04 : 0.03;
      const words = `step ${step}, noise ${sigma}`;
      expect(Math.abs(measureFrame(image).noise / truth - 1), `frame: ${words}`).toBeLessThan(limit);
      if (sigma > step) continue;
      expect(Math.abs(measureNoise(image).noise / truth - 1), `measureNoise: ${words}`).toBeLessThan(limit);
    }
  });
});
