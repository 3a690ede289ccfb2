import * as fc from "fast-check";
import { describe, expect, it } from "vitest";
import { finiteCopy, medianInPlace, medianOf, quantileOf, selectRank } from "../../lib/stats/samples.ts";

const ascending = (values: ArrayLike<number>) => [...Array.from(values)].sort((a, b) => a - b);
const numbers = fc.array(fc.double({ noNaN: true }), { minLength: 1 });

describe("finiteCopy", () => {
  it("leaves NaN out, and what it was given alone", () => {
    const given = [3, NaN, 1];
    const copy = finiteCopy(given);
    copy[0] = 9;
    expect([[...copy], given]).toEqual([[9, 1], [3, NaN, 1]]);
  });
});

describe("selectRank", () => {
  it("puts the number of a rank to its place, nothing larger before it, nothing smaller behind", () => {
    fc.assert(fc.property(numbers, fc.nat(), (values, any) => {
      const a = Float64Array.from(values);
      const k = any % a.length;
      const found = selectRank(a, a.length, k);
      expect(found + 0).toBe(ascending(values)[k] + 0);
      expect(a.subarray(0, k).every((v) => v <= found)).toBe(true);
      expect(a.subarray(k).every((v) => v >= found)).toBe(true);
    }));
  });
});

describe("medians and quantiles", () => {
  it("are right by hand", () => {
    expect(medianInPlace(Float64Array.of(9, 1, 5, 100), 3)).toBe(5);
    expect(medianInPlace(Float64Array.of(4, 1))).toBe(2.5);
    expect(medianInPlace(new Float64Array(0))).toBeNaN();
    expect(medianOf([1, 5, NaN, 12], 4)).toBe(3);
    expect(quantileOf([30, 0, NaN, 20, 10], 0.25)).toBe(7.5);
  });

  it("of large float32 planes, negative and positive, are those of sorting", () => {
    const plane = Float32Array.from({ length: (1 << 18) + 1 }, (_, i) => Math.sin(i) * 50 - 10);
    const sorted = ascending(plane);
    expect(medianOf(plane)).toBe(sorted[1 << 17]);
    expect(quantileOf(plane, 0)).toBe(sorted[0]);
    expect(quantileOf(plane, 0.25)).toBe(sorted[1 << 16]);
  });
});
