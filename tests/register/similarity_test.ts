import { describe, expect, it } from "vitest";
import { applyTransform } from "../../lib/core/transform.ts";
import { moveBy, type Similarity, similarityOf, transformOf } from "../../lib/register/similarity.ts";
import { sortStars } from "../../lib/register/star_list.ts";

const places = [[3, 4], [100, 7], [40, 90], [12, 55]];
const listOf = (points: readonly (readonly number[])[]) =>
  sortStars(points.map(([x, y], i) => ({ x, y, flux: 9 - i })));
const all = (count: number) => {
  const indices = Int32Array.from({ length: count }, (_, i) => i);
  return { source: indices, reference: indices, count };
};
const maps: readonly Similarity[] = [false, true].map((mirrored) => ({ re: 0.6, im: 0.8, tx: 5, ty: -2, mirrored }));

describe.each(maps)("a similarity, mirrored: $mirrored", (map) => {
  it("carries (1, 2) where complex numbers say", () => {
    // (0.6 + 0.8 i)(1 ± 2 i) + 5 − 2 i
    const { x, y } = moveBy(map, 1, 2);
    expect([x, y]).toEqual(map.mirrored ? [0.6 + 1.6 + 5, 0.8 - 1.2 - 2] : [0.6 - 1.6 + 5, 0.8 + 1.2 - 2]);
  });

  it("is the same map as its transform", () => {
    for (const [x, y] of places) {
      const { x: u, y: v } = applyTransform(transformOf(map), x, y);
      expect(u).toBeCloseTo(moveBy(map, x, y).x, 12);
      expect(v).toBeCloseTo(moveBy(map, x, y).y, 12);
    }
  });

  it("is found again from the pairs that it makes", () => {
    const moved = places.map(([x, y]) => moveBy(map, x, y)).map(({ x, y }) => [x, y]);
    const found = similarityOf(listOf(places), listOf(moved), all(4), map.mirrored);
    for (const key of ["re", "im", "tx", "ty"] as const) expect(found?.[key]).toBeCloseTo(map[key], 10);
  });
});

it("points that coincide have no similarity", () => {
  const same = listOf([[1, 1], [1, 1]]);
  expect(similarityOf(same, listOf([[0, 0], [5, 5]]), all(2), false)).toBeNull();
});
