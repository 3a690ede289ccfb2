import * as fc from "fast-check";
import { describe, expect, it } from "vitest";
import {
  axialMean,
  biweightLocation,
  biweightScale,
  clippedSdFactor,
  histogram,
  mad,
  madSigma,
  madSigmaFactor,
  median,
  qnScale,
  quantile,
  robustFit,
  robustLine,
  robustScale,
  sigmaClip,
  skewedMode,
  snScale,
  weightedMedian,
} from "../../lib/doors/stats.ts";
import { normalProbability, normalQuantile } from "../../lib/stats/special_functions.ts";
import { gauss, outlierSet, parkMiller } from "../support/numbers.ts";

const small = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 100];
const sortedMedian = (values: readonly number[]) => {
  const s = values.filter((v) => v === v).sort((a, b) => a - b);
  const n = s.length;
  return n === 0 ? NaN : n % 2 ? s[n >> 1] : (s[n / 2 - 1] + s[n / 2]) / 2;
};

describe("number stream of the checks", () => {
  it("gives the published states (Park & Miller 1988; FITS 4.0 Appendix I)", () => {
    const next = parkMiller(1);
    expect([next(), next(), next()]).toEqual([16807, 282475249, 1622650073]);
    const other = parkMiller(1);
    let s = 0;
    for (let i = 0; i < 10000; i++) s = other();
    expect(s).toBe(1043618065);
  });
  it("gives the deviates that numpy gives", () => {
    const z = gauss(4, 42);
    [-3.95738523, -0.61626829, -0.06546495, 0.78123733].forEach((v, i) =>
      expect(Math.abs(z[i] - v)).toBeLessThan(1e-8)
    );
  });
});

describe("median, quantile, mad", () => {
  it("are right by hand", () => {
    expect(median(small)).toBe(6);
    expect(mad(small)).toBe(3);
    expect(madSigmaFactor).toBeCloseTo(1 / normalQuantile(0.75), 12);
    expect(median([])).toBeNaN();
    expect(median([NaN])).toBeNaN();
    expect(quantile([0, 10, 20, 30], 1)).toBe(30);
    expect(quantile([0, 10, 20, 30], 1 / 6)).toBeCloseTo(5, 12);
    expect(() => quantile([1], 1.5)).toThrow("quantile: fraction must lie between 0 and 1, but got 1.5");
    expect(() => quantile([1], NaN)).toThrow(RangeError);
  });
  it("agree with sorting on random lists with NaN", () => {
    fc.assert(fc.property(fc.array(fc.oneof(fc.float({ noDefaultInfinity: true }), fc.constant(NaN))), (values) => {
      expect(median(values)).toEqual(sortedMedian(values));
    }));
  });
  it("count large float32 planes in place, with the same answer and without moving a sample", () => {
    const z = gauss(300001, 5);
    const plane = Float32Array.from(z, (v, i) => i % 1000 === 7 ? NaN : v * 100 - 3);
    const before = plane.slice();
    const kept = [...plane];
    const centre = sortedMedian(kept);
    expect(median(plane)).toBe(centre);
    expect(mad(plane)).toBeCloseTo(sortedMedian(kept.map((v) => Math.abs(v - centre))), 4);
    const s = kept.filter((v) => v === v).sort((a, b) => a - b);
    const at = 0.123 * (s.length - 1);
    const low = Math.floor(at);
    expect(quantile(plane, 0.123)).toBeCloseTo(s[low] + (at - low) * (s[low + 1] - s[low]), 6);
    expect(plane).toEqual(before);
  });
  it("weighs", () => {
    expect(weightedMedian([3, 1, 2], [1, 1, 1])).toBe(2);
    expect(weightedMedian([3, NaN, 2], [0, 1, 1])).toBe(2);
    expect(() => weightedMedian([1], [-1])).toThrow("weights must be ≥ 0, but got -1");
  });
});

describe("robust location and scale (astropy 5.2.1, photutils 1.6.0, statsmodels 0.13.5 on the same numbers)", () => {
  const d1 = outlierSet();
  it("has the data set right: mean, median and sd as numpy finds them", () => {
    const mean = d1.reduce((a, b) => a + b) / 1000;
    expect(mean).toBeCloseTo(104.17753761, 7);
    expect(median(d1)).toBeCloseTo(100.41678376, 7);
    expect(Math.sqrt(d1.reduce((a, b) => a + (b - mean) ** 2, 0) / 1000)).toBeCloseTo(28.24605048, 7);
  });
  it("biweight of {1 … 10, 100}", () => {
    expect(biweightLocation(small)).toBeCloseTo(5.551205656954, 10);
    expect(biweightScale(small)).toBeCloseTo(3.144596551212, 10);
  });
  it("S_n and Q_n of {1 … 10, 100} (Rousseeuw & Croux 1993, by brute force)", () => {
    expect(snScale(small)).toBeCloseTo(3.5778, 9);
    expect(qnScale(small)).toBeCloseTo(4.438288932, 8);
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
  it("madSigma, biweight, Q_n, S_n of the outlier set", () => {
    expect(madSigma(d1)).toBeCloseTo(5.16021558, 7);
    expect(biweightLocation(d1)).toBeCloseTo(100.25865329, 7);
    expect(biweightScale(d1)).toBeCloseTo(5.10463956, 7);
    expect(qnScale(d1)).toBeCloseTo(5.24409858, 7);
    expect(snScale(d1)).toBeCloseTo(5.19659677, 7);
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
  it("normal probabilities (Abramowitz & Stegun table 26.1, from memory)", () => {
    expect(normalProbability(1)).toBeCloseTo(0.841344746068543, 14);
    expect(normalProbability(-2.5)).toBeCloseTo(0.006209665325776, 14);
    expect(normalProbability(4) - 1).toBeCloseTo(-3.1671241833e-5, 14);
    expect(normalQuantile(0.975)).toBeCloseTo(1.959963984540054, 12);
  });
  it("chooses the scale by the length of the list", () => {
    expect(robustScale(small)).toBe(qnScale(small));
    expect(robustScale(d1)).toBeCloseTo(madSigma(d1), 12);
    expect(robustScale([1])).toBe(0);
    expect(robustScale([])).toBeNaN();
  });
  it("refuses limits that are no limits", () => {
    expect(() => sigmaClip(small, { rejectBelow: 0 })).toThrow("sigmaClip: limits must be > 0, but got 0");
    expect(() => sigmaClip(small, { rejectAbove: NaN })).toThrow(RangeError);
    expect(sigmaClip([]).kept).toBe(0);
  });
});

describe("histogram", () => {
  it("counts every sample once", () => {
    fc.assert(fc.property(fc.array(fc.double()), fc.integer({ min: 1, max: 20 }), (values, bins) => {
      const h = histogram(values, bins, -10, 10);
      expect(h.counts.reduce((a, b) => a + b, 0) + h.below + h.above + h.missing).toBe(values.length);
    }));
  });
  it("takes the range of the samples", () => {
    const h = histogram([2, 4, NaN, 3], 2);
    expect([h.low, h.high, ...h.counts, h.missing]).toEqual([2, 4, 1, 2, 1]);
    expect(() => histogram([1], 0)).toThrow("bins must be a whole number above 0, but got 0");
    expect(() => histogram([1], 2, 3, 3)).toThrow("high must be > low");
  });
});

describe("robust fits", () => {
  it("find an exact plane through noise-free data", () => {
    const u = gauss(40, 3);
    const v = gauss(40, 4);
    const fit = robustFit([u.map(() => 1), u, v], u.map((a, i) => 7 + 2 * a - 3 * v[i]));
    expect(fit).not.toBeNull();
    [7, 2, -3].forEach((c, j) => expect(fit?.coefficients[j]).toBeCloseTo(c, 9));
  });
  it("keep to the bulk when a fifth is wild, within what the noise allows", () => {
    const z = gauss(200, 8);
    const x = Array.from({ length: 200 }, (_, i) => i / 100);
    const y = x.map((a, i) => 1 + 5 * a + 0.1 * z[i] + (i % 5 ? 0 : 20));
    const line = robustLine(x, y);
    expect(Math.abs(line.slope - 5)).toBeLessThan(0.1);
    expect(line.scale).toBeGreaterThan(0.07);
    expect(line.scale).toBeLessThan(0.2);
  });
  it("resists a sample far off in x", () => {
    const line = robustLine([0, 1, 2, 3, 4, 5, 6, 1000], [0, 1, 2, 3, 4, 5, 6, 0]);
    expect(line.slope).toBeCloseTo(1, 6);
  });
  it("says when nothing can be fitted", () => {
    expect(robustFit([[1, 1], [2, 2]], [1, 2])).toBeNull();
    expect(robustLine([1], [1]).slope).toBeNaN();
    expect(robustLine([1, 1], [1, 2]).slope).toBeNaN();
  });
});

describe("axial mean", () => {
  it("reproduces ten axes (Mardia & Jupp 2000, by formula)", () => {
    const mean = axialMean([10, 12, 8, 15, 170, 5, 178, 20, 9, 11]);
    expect(mean.degrees).toBeCloseTo(7.88874, 5);
    expect(mean.alignment).toBeCloseTo(0.960889, 6);
    expect(mean.chance).toBeCloseTo(9.8e-5, 6);
  });
  it("has no direction for crossed axes", () => {
    expect(axialMean([0, 90]).alignment).toBeLessThan(1e-12);
    expect(axialMean([]).degrees).toBeNaN();
  });
});
