import { describe, expect, it } from "vitest";
import {
  circle,
  eccentricityOf,
  ellipseArea,
  gaussianFlux,
  gaussianHeight,
  longVariance,
  shortVariance,
} from "../../lib/stars/ellipse.ts";

describe("an ellipse of variances 9 and 4", () => {
  const angle = Math.PI / 6;
  const [c, s] = [Math.cos(angle), Math.sin(angle)];
  const shape = { xx: 9 * c * c + 4 * s * s, xy: 5 * c * s, yy: 9 * s * s + 4 * c * c };

  it("has its axes whatever its direction", () => {
    expect(longVariance(shape)).toBeCloseTo(9, 12);
    expect(shortVariance(shape)).toBeCloseTo(4, 12);
    expect(ellipseArea(shape)).toBeCloseTo(6, 12);
    expect(eccentricityOf((9 - 4) / (9 + 4))).toBeCloseTo(Math.sqrt(1 - 4 / 9), 12);
  });

  it("holds the flux that its samples add up to", () => {
    const det = shape.xx * shape.yy - shape.xy ** 2;
    let sum = 0;
    for (let y = -30; y <= 30; y++) {
      for (let x = -30; x <= 30; x++) {
        sum += 7 * Math.exp(-(shape.yy * x * x - 2 * shape.xy * x * y + shape.xx * y * y) / det / 2);
      }
    }
    expect(gaussianFlux(7, shape)).toBeCloseTo(sum, 8);
    expect(gaussianHeight(gaussianFlux(7, shape), shape)).toBeCloseTo(7, 12);
  });

  it("is a circle when both are one", () => {
    expect([longVariance(circle(2)), shortVariance(circle(2)), ellipseArea(circle(2))]).toEqual([2, 2, 2]);
  });
});
