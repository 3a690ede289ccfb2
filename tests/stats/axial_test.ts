import { describe, expect, it } from "vitest";
import { axialMean } from "../../lib/doors/stats.ts";

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
