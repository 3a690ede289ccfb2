import { describe, expect, it } from "vitest";
import { biweightLocation, biweightScale } from "../../lib/doors/stats.ts";
import { outlierSet } from "../support/numbers.ts";

const small = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 100];

describe("biweight location and scale (astropy 5.2.1, photutils 1.6.0, statsmodels 0.13.5 on the same numbers)", () => {
  it("biweight of {1 … 10, 100}", () => {
    expect(biweightLocation(small)).toBeCloseTo(5.551205656954, 10);
    expect(biweightScale(small)).toBeCloseTo(3.144596551212, 10);
  });

  it("of the outlier set", () => {
    expect(biweightLocation(outlierSet())).toBeCloseTo(100.25865329, 7);
    expect(biweightScale(outlierSet())).toBeCloseTo(5.10463956, 7);
  });
});
