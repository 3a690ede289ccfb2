import * as fc from "fast-check";
import { describe, expect, it } from "vitest";
import { histogram } from "../../lib/doors/stats.ts";

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
