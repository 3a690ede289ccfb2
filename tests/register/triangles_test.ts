import { describe, expect, it } from "vitest";
import { sortStars } from "../../lib/register/star_list.ts";
import { matchTriangles, trianglesOf } from "../../lib/register/triangles.ts";

const rule = { neighbours: 4, minimumSide: 1, positionError: 0.01, bothOrders: false };
const listOf = (points: readonly (readonly number[])[]) =>
  sortStars(points.map(([x, y], i) => ({ x, y, flux: 9 - i })));
const matching = {
  sourceStars: 5,
  referenceStars: 5,
  positionError: 0.01,
  minimumScale: 0.1,
  maximumScale: 10,
  mirror: true,
};

describe("trianglesOf", () => {
  it("puts the triangle 3, 4, 5 into its own frame: third corner at (0.36, 0.48)", () => {
    // The right angle at (0, 0); the foot of the height divides the longest side as 9 : 16.
    const found = trianglesOf(listOf([[0, 0], [3, 0], [0, 4]]), rule);
    expect(found.count).toBe(1);
    expect(found.along[0]).toBeCloseTo(0.36, 12);
    expect(found.height[0]).toBeCloseTo(0.48, 12);
    expect(found.longest[0]).toBeCloseTo(5, 12);
    expect([...found.corners]).toEqual([1, 2, 0]);
  });

  it("does not mind shift, turn and scale, and tells a mirror image by its sense", () => {
    const points = [[10, 20], [90, 31], [40, 75], [70, 5], [15, 60]];
    const here = trianglesOf(listOf(points), rule);
    const turned = trianglesOf(listOf(points.map(([x, y]) => [7 - 2 * y, 3 + 2 * x])), rule);
    const mirrored = trianglesOf(listOf(points.map(([x, y]) => [-x, y])), rule);
    expect(here.count).toBeGreaterThan(3);
    for (const there of [turned, mirrored]) {
      expect(there.corners).toEqual(here.corners);
      for (let k = 0; k < here.count; k++) {
        expect(there.along[k]).toBeCloseTo(here.along[k], 10);
        expect(there.height[k]).toBeCloseTo(here.height[k], 10);
      }
    }
    expect(turned.upright).toEqual(here.upright);
    expect([...mirrored.upright]).toEqual([...here.upright].map((sense) => 1 - sense));
    expect(turned.longest[0] / here.longest[0]).toBeCloseTo(2, 12);
  });

  it("leaves out triangles that are too small or too flat", () => {
    expect(trianglesOf(listOf([[0, 0], [3, 0], [0, 4]]), { ...rule, minimumSide: 6 }).count).toBe(0);
    expect(trianglesOf(listOf([[0, 0], [100, 0], [40, 1]]), rule).count).toBe(0);
  });
});

describe("matchTriangles", () => {
  const points = [[10, 20], [90, 31], [40, 75], [70, 5], [15, 60]];
  const here = trianglesOf(listOf(points), rule);

  it("pairs each triangle with itself when turned", () => {
    const there = trianglesOf(listOf(points.map(([x, y]) => [200 - y, x])), rule);
    const { source, reference, order } = matchTriangles(here, there, matching);
    const pairs = source.map((k, i) => `${k} ${reference[i]}`);
    for (let k = 0; k < here.count; k++) expect(pairs).toContain(`${k} ${k}`);
    expect([...order].toSorted((a, b) => a - b)).toEqual(source.map((_, i) => i));
  });

  it("finds none in a mirror image unless it is allowed, and none beyond the scale", () => {
    const mirrored = trianglesOf(listOf(points.map(([x, y]) => [-x, y])), rule);
    const own = ({ source, reference }: ReturnType<typeof matchTriangles>) =>
      source.filter((k, i) => k === reference[i]).length;
    expect(own(matchTriangles(here, mirrored, { ...matching, mirror: false }))).toBe(0);
    expect(own(matchTriangles(here, mirrored, matching))).toBe(here.count);
    expect(matchTriangles(here, here, { ...matching, minimumScale: 2 }).source).toEqual([]);
  });
});
