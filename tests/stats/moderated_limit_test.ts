import { describe, expect, it } from "vitest";
import { moderatedLimit, moderatedLimits, scatterMedian } from "../../lib/stats/moderated_limit.ts";

describe("moderatedLimit", () => {
  // Quantiles of the normal distribution: any table, e.g. Abramowitz & Stegun 26.2: 2.3263, 3.0902, 3.7190.
  it("is the quantile of the normal distribution for very many samples", () => {
    for (const [share, z] of [[0.01, 2.3263], [0.001, 3.0902], [0.0001, 3.719]]) {
      expect(Math.abs(moderatedLimit(1e6, share) / z - 1)).toBeLessThan(1e-3);
    }
  });

  it("falls short of it for three samples, whose centre follows each of them", () => {
    // A residual of three known to have the scale 1 has the variance 2/3: 3.0902 · √(2/3) = 2.523 about their mean;
    // the clamped centre follows an outlier less, so the limit lies between this and the quantile.
    expect(moderatedLimit(3, 0.001)).toBeGreaterThan(2.523);
    expect(moderatedLimit(3, 0.001)).toBeLessThan(3.0902);
  });

  it("leaves pixels of fewer than three samples alone", () => {
    expect([...moderatedLimits(4, 0.001)].slice(0, 3)).toEqual([Infinity, Infinity, Infinity]);
    expect(moderatedLimits(4, 0.001)[3]).toBeCloseTo(moderatedLimit(3, 0.001), 6);
  });

  it("knows that the median of many scatters is that of one for many samples", () => {
    expect(Math.abs(scatterMedian(300) - 1)).toBeLessThan(0.01);
    expect(Math.abs(scatterMedian(1e6) - 1)).toBeLessThan(1e-3);
  });
});
