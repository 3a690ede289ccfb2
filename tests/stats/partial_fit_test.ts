import { describe, expect, it } from "vitest";
import { randomStream } from "../../lib/core/random.ts";
import { partialFit } from "../../lib/stats/partial_fit.ts";

describe("partialFit", () => {
  const places = Array.from({ length: 81 }, (_, k) => ({ x: k % 9 - 4, y: Math.floor(k / 9) - 4 }));
  const dx = places.map(({ x }) => x);
  const dy = places.map(({ y }) => y);
  const hill = places.map(({ x, y }) => Math.exp(-(x * x + y * y) / 4));

  it("finds the slope whatever surface of second order lies under it", () => {
    const y = places.map(({ x, y }, k) => 3 * hill[k] + 100 - 2 * x + 5 * y + 0.7 * x * x - 0.4 * x * y - 0.9 * y * y);
    const { slope, error, correlation } = partialFit(dx, dy, hill, y);
    expect(slope).toBeCloseTo(3, 9);
    expect(error).toBeLessThan(1e-6);
    expect(correlation).toBeCloseTo(1, 9);
  });

  it("says how far noise moves the slope: the scatter over 400 draws is the error it claims", () => {
    const random = randomStream("partial fit");
    const slopes: number[] = [];
    const errors: number[] = [];
    for (let k = 0; k < 400; k++) {
      const fit = partialFit(dx, dy, hill, hill.map((v) => 2 * v + 0.5 * random.gaussian()));
      slopes.push(fit.slope);
      errors.push(fit.error);
    }
    const mean = slopes.reduce((a, b) => a + b) / 400;
    const spread = Math.sqrt(slopes.reduce((sum, v) => sum + (v - mean) ** 2, 0) / 399);
    // A standard deviation of 400 draws is known to 3.5 %.
    expect(Math.abs(spread / (errors.reduce((a, b) => a + b) / 400) - 1)).toBeLessThan(0.12);
    expect(Math.abs(mean - 2)).toBeLessThan(4 * spread / 20);
  });

  it("has nothing to say where x is a part of the surface, or samples are too few", () => {
    expect(partialFit([0, 1], [0, 0], [1, 2], [1, 2]).error).toBe(Infinity);
    expect(partialFit(dx, dy, dx, hill).correlation).toBeLessThan(1e-3);
  });
});
