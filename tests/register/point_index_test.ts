import { describe, expect, it } from "vitest";
import { randomStream } from "../../lib/core/random.ts";
import { PointIndex } from "../../lib/register/point_index.ts";

describe("PointIndex", () => {
  it("finds neighbours that a person can check; of two equally near the first", () => {
    const index = new PointIndex(Float64Array.of(0, 10, 20), Float64Array.of(0, 0, 0), 1);
    expect(index.count).toBe(3);
    expect(index.nearest(12, 0, 5)).toBe(1);
    expect(index.nearest(15, 0, 5)).toBe(1);
    expect(index.nearest(15, 3, 5)).toBe(-1);
    expect(index.countWithin(10, 0, 10)).toBe(3);
  });

  it("agrees with looking at every point", () => {
    const random = randomStream("points");
    const places = () => Float64Array.from({ length: 300 }, () => 1000 * random.uniform());
    const x = places();
    const y = places();
    const index = new PointIndex(x, y, 5);
    for (let k = 0; k < 200; k++) {
      const px = 1200 * random.uniform() - 100;
      const py = 1200 * random.uniform() - 100;
      const radius = 150 * random.uniform();
      const squared = [...x].map((v, i) => (v - px) ** 2 + (y[i] - py) ** 2);
      const within = squared.filter((d) => d <= radius * radius);
      expect(index.countWithin(px, py, radius)).toBe(within.length);
      expect(index.nearest(px, py, radius)).toBe(within.length === 0 ? -1 : squared.indexOf(Math.min(...within)));
    }
  });

  it("holds no point at all", () => {
    const none = new PointIndex(new Float64Array(0), new Float64Array(0), 1);
    expect([none.nearest(0, 0, 10), none.countWithin(0, 0, 10)]).toEqual([-1, 0]);
  });
});
