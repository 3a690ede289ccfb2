import { describe, expect, it } from "vitest";
import { normalProbability, normalQuantile } from "../../lib/stats/special_functions.ts";

describe("normal probabilities", () => {
  it("normal probabilities (Abramowitz & Stegun table 26.1, from memory)", () => {
    expect(normalProbability(1)).toBeCloseTo(0.841344746068543, 14);
    expect(normalProbability(-2.5)).toBeCloseTo(0.006209665325776, 14);
    expect(normalProbability(4) - 1).toBeCloseTo(-3.1671241833e-5, 14);
    expect(normalQuantile(0.975)).toBeCloseTo(1.959963984540054, 12);
  });
});
