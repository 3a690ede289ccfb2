/** Covers stats/median.ts and, with plain medians, mad and madSigmaFactor of stats/mad_sigma.ts. */
import * as fc from "fast-check";
import { describe, expect, it } from "vitest";
import { mad, madSigmaFactor, median, quantile, weightedMedian } from "../../lib/doors/stats.ts";
import { normalQuantile } from "../../lib/stats/special_functions.ts";
import { gauss } from "../support/numbers.ts";

const small = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 100];
const sortedMedian = (values: readonly number[]) => {
  const s = values.filter((v) => v === v).sort((a, b) => a - b);
  const n = s.length;
  return n === 0 ? NaN : n % 2 ? s[n >> 1] : (s[n / 2 - 1] + s[n / 2]) / 2;
};

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
