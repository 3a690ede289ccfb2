import { describe, expect, it } from "vitest";
import { randomStream } from "../../lib/core/random.ts";
import { medianNeighbourDifference } from "../../lib/stats/neighbour_difference.ts";

describe("medianNeighbourDifference", () => {
  it("is 0.954 standard deviations of white noise, whatever the level", () => {
    const random = randomStream(31);
    const data = Float32Array.from({ length: 90_000 }, () => 500 + 4 * random.gaussian());
    expect(Math.abs(medianNeighbourDifference(data) / (0.954 * 4) - 1)).toBeLessThan(0.02);
  });

  it("leaves gaps out, and is NaN where no two neighbours have data", () => {
    expect(medianNeighbourDifference(Float32Array.of(1, 4, NaN, 7, 4, 7))).toBe(3);
    expect(medianNeighbourDifference(Float32Array.of(1, NaN, 2))).toBe(NaN);
  });
});
