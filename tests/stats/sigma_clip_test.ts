import { describe, expect, it } from "vitest";
import { clippedSdFactor, median, sigmaClip, skewedMode } from "../../lib/doors/stats.ts";
import { gauss, outlierSet } from "../support/numbers.ts";

const small = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 100];

describe("sigma clipping (astropy 5.2.1, photutils 1.6.0, statsmodels 0.13.5 on the same numbers)", () => {
  const d1 = outlierSet();

  it("has the data set right: mean, median and sd as numpy finds them", () => {
    const mean = d1.reduce((a, b) => a + b) / 1000;
    expect(mean).toBeCloseTo(104.17753761, 7);
    expect(median(d1)).toBeCloseTo(100.41678376, 7);
    expect(Math.sqrt(d1.reduce((a, b) => a + (b - mean) ** 2, 0) / 1000)).toBeCloseTo(28.24605048, 7);
  });

  it("sigma clip to convergence", () => {
    const c = sigmaClip(d1);
    expect(c.mean).toBeCloseTo(100.22624236, 7);
    expect(c.median).toBeCloseTo(100.27128866, 7);
    expect(c.sd).toBeCloseTo(4.94246746, 7);
    expect(c.kept).toBe(977);
    expect(c.kept + c.below + c.above).toBe(1000);
    const m = sigmaClip(d1, { scale: "madSigma" });
    expect(m.mean).toBeCloseTo(100.24153273, 7);
    expect(m.median).toBeCloseTo(100.27432365, 7);
    expect(m.sd).toBeCloseTo(4.96300567, 7);
  });

  it("the mode of Bertin & Arnouts (1996)", () => {
    const c = sigmaClip(d1, { maximumIterations: 10 });
    expect(skewedMode(c)).toBeCloseTo(100.33885812, 7);
    expect(3 * c.median - 2 * c.mean).toBeCloseTo(100.36138127, 7);
    const powers = Array.from({ length: 11 }, (_, i) => (i + 1) ** 1.2);
    const mean = powers.reduce((a, b) => a + b) / 11;
    const sd = Math.sqrt(powers.reduce((a, b) => a + (b - mean) ** 2, 0) / 11);
    expect(skewedMode({ mean, median: median(powers), sd })).toBeCloseTo(8.122976082871, 10);
  });

  it("what clipping takes from normal data (truncated normal and its fixed point)", () => {
    for (const [k, factor] of [[2, 0.879626], [2.5, 0.954597], [3, 0.986578]]) {
      expect(Math.abs(clippedSdFactor(k, "once") - factor)).toBeLessThan(1e-6);
    }
    for (const [k, factor] of [[2, 0.725741], [2.5, 0.936557], [3, 0.984846], [4, 0.99946]]) {
      expect(Math.abs(clippedSdFactor(k) - factor)).toBeLessThan(1e-5);
    }
    expect(clippedSdFactor(1.5)).toBe(0);
    const wide = sigmaClip(gauss(20000, 9), { rejectBelow: 2, rejectAbove: 2 });
    expect(Math.abs(wide.sdCorrected - 1)).toBeLessThan(0.03);
  });

  it("refuses limits that are no limits", () => {
    expect(() => sigmaClip(small, { rejectBelow: 0 })).toThrow("sigmaClip: limits must be > 0, but got 0");
    expect(() => sigmaClip(small, { rejectAbove: NaN })).toThrow(RangeError);
    expect(sigmaClip([]).kept).toBe(0);
  });
});
