import { describe, expect, it } from "vitest";
import { axisRatioOf, shapeOfEccentricity } from "../../lib/night/axis_ratio.ts";

describe("axisRatioOf and shapeOfEccentricity", () => {
  it.each([[1, 1], [2, 1], [1.5, 1], [5, 2]])("agree for an ellipse with axes %s and %s", (a, b) => {
    const shape = (a * a - b * b) / (a * a + b * b);
    expect(shapeOfEccentricity(Math.sqrt(1 - b * b / (a * a)))).toBeCloseTo(shape, 12);
    expect(axisRatioOf(shape)).toBeCloseTo(a / b, 12);
  });
});
