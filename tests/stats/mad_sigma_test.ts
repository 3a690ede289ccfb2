import { describe, expect, it } from "vitest";
import { madSigma } from "../../lib/doors/stats.ts";
import { outlierSet } from "../support/numbers.ts";

describe("madSigma (astropy 5.2.1, photutils 1.6.0, statsmodels 0.13.5 on the same numbers)", () => {
  it("of the outlier set", () => {
    expect(madSigma(outlierSet())).toBeCloseTo(5.16021558, 7);
  });
});
