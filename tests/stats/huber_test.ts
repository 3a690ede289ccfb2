/** Covers extreme_deviates.ts. */
import { describe, expect, it } from "vitest";
import { randomStream } from "../../lib/core/random.ts";
import { huberEstimate, huberLimit, huberLimits } from "../../lib/stats/huber.ts";
import { extremeDeviates, studentQuantile } from "../../lib/stats/extreme_deviates.ts";
import { storedValues } from "../calibrate/support.ts";

// NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.17.3: Rosner's 54 values.
const rosner =
  "-.25 .68 .94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69 1.70 1.76 1.77 1.81 1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40 2.47 2.54 2.62 2.64 2.90 2.92 2.92 2.93 3.21 3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01"
    .split(" ").map(Number);

describe("huberEstimate", () => {
  // statsmodels (Huber's Proposal 2, c = 1.5); the second through fixtures/combine/generate.py.
  it("gives the location and scale of statsmodels", () => {
    const { location, scale } = huberEstimate([10.1, 9.8, 10, 10.2, 9.9, 10.05, 9.95, 30, 10.15, 9.85]);
    expect(location).toBeCloseTo(10.03040813, 8);
    expect(scale).toBeCloseTo(0.18244881, 8);
    const stored = storedValues().huber;
    const found = huberEstimate(rosner);
    expect(Math.abs(found.location - stored.location)).toBeLessThan(1e-8);
    expect(Math.abs(found.scale - stored.scale)).toBeLessThan(1e-8);
  });
  it("shifts and scales with the values, and leaves NaN out", () => {
    const one = huberEstimate(rosner);
    const two = huberEstimate([NaN, ...rosner.map((x) => 100 - 3 * x)]);
    expect(two.location).toBeCloseTo(100 - 3 * one.location, 10);
    expect(two.scale).toBeCloseTo(3 * one.scale, 10);
    expect(huberEstimate([1]).location).toBeNaN();
  });
});

describe("huberLimit", () => {
  it("loses the share that is asked for, for numbers of samples between those of its table", () => {
    const random = randomStream("limit");
    for (const [n, share] of [[9, 0.003], [17, 0.001], [70, 0.002]]) {
      const limit = huberLimit(n, share);
      let lost = 0;
      let total = 0;
      for (let trial = 0; trial < 300000 / n; trial++) {
        const x = Float64Array.from({ length: n }, () => random.gaussian());
        const { location, scale } = huberEstimate(x);
        for (const value of x) if (Math.abs(value - location) > limit * scale) lost++;
        total += n;
      }
      // Counting error, 4 sigma, and 5 % for the interpolation.
      expect(Math.abs(lost / total / (2 * share) - 1)).toBeLessThan(4 / Math.sqrt(2 * share * total) + 0.05);
    }
  });
  it("tends to the Gaussian quantile 3.0902 of 0.1 % and refuses what it cannot know", () => {
    expect(huberLimit(1e7, 0.001)).toBeCloseTo(3.0902, 3);
    expect(() => huberLimit(5, 0.001)).toThrow("n must be at least 6");
    expect(() => huberLimit(9, 0)).toThrow("falseRejectionShare must lie between 0 and 0.5");
    expect(Array.from(huberLimits(9, 0.001, 8)).map((each) => each > 0)).toEqual([...Array(8).fill(false), true, true]);
  });
});

describe("extremeDeviates", () => {
  it("gives the statistics and critical values of the NIST handbook for Rosner's data", () => {
    const { outliers, indices, statistics, critical } = extremeDeviates(rosner, 10);
    expect(outliers).toBe(3);
    expect(indices.map((at) => rosner[at])).toEqual([6.01, 5.42, 5.34]);
    // The handbook truncates to three decimals.
    const cut = (x: number) => Math.floor(x * 1000) / 1000;
    expect(statistics.map(cut)).toEqual([3.118, 2.942, 3.179, 2.81, 2.815, 2.848, 2.279, 2.31, 2.101, 2.067]);
    expect(critical.map(cut)).toEqual([3.158, 3.151, 3.143, 3.136, 3.128, 3.12, 3.111, 3.103, 3.094, 3.085]);
  });
  // NIST section 1.3.5.17.1: G = 2.4687, two-sided critical value 2.1266 at 5 %.
  it("is Grubbs' test for one outlier", () => {
    const { outliers, statistics, critical } = extremeDeviates([
      199.31,
      199.53,
      200.19,
      200.82,
      201.92,
      201.95,
      202.18,
      245.57,
    ], 1);
    expect(outliers).toBe(1);
    expect(statistics[0]).toBeCloseTo(2.4687646, 6);
    expect(critical[0]).toBeCloseTo(2.1266, 4);
  });
  it("refuses too few values", () => {
    expect(() => extremeDeviates([1, 2, 3], 2)).toThrow("values must hold at least 4 numbers, but hold 3");
    expect(() => extremeDeviates(rosner, 0)).toThrow("maximumOutliers must be a whole number");
    expect(() => extremeDeviates(rosner, 1, 1)).toThrow("alpha must lie between 0 and 1");
  });
});

describe("studentQuantile", () => {
  // scipy 1.17.1 through fixtures/combine/generate.py.
  it("agrees with scipy", () => {
    for (const [p, degrees, value] of storedValues().student) {
      expect(Math.abs(studentQuantile(p, degrees) / value - 1)).toBeLessThan(1e-9);
    }
    expect(studentQuantile(0.025, 7)).toBe(-studentQuantile(0.975, 7));
    expect(() => studentQuantile(1, 3)).toThrow("p must lie between 0 and 1");
    expect(() => studentQuantile(0.5, 0)).toThrow("degrees must be > 0");
  });
});
