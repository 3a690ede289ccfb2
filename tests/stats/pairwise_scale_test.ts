import { describe, expect, it } from "vitest";
import { madSigma, qnScale, robustScale, snScale } from "../../lib/doors/stats.ts";
import { outlierSet } from "../support/numbers.ts";

const small = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 100];

describe("S_n and Q_n (astropy 5.2.1, photutils 1.6.0, statsmodels 0.13.5 on the same numbers)", () => {
  const d1 = outlierSet();

  it("S_n and Q_n of {1 … 10, 100} (Rousseeuw & Croux 1993, by brute force)", () => {
    expect(snScale(small)).toBeCloseTo(3.5778, 9);
    expect(qnScale(small)).toBeCloseTo(4.438288932, 8);
  });

  it("of the outlier set", () => {
    expect(qnScale(d1)).toBeCloseTo(5.24409858, 7);
    expect(snScale(d1)).toBeCloseTo(5.19659677, 7);
  });

  it("chooses the scale by the length of the list", () => {
    expect(robustScale(small)).toBe(qnScale(small));
    expect(robustScale(d1)).toBeCloseTo(madSigma(d1), 12);
    expect(robustScale([1])).toBe(0);
    expect(robustScale([])).toBeNaN();
  });
});
