import { describe, expect, it } from "vitest";
import { robustFit, robustLine } from "../../lib/doors/stats.ts";
import { gauss } from "../support/numbers.ts";

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
