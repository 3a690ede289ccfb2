/** Holds lib/core/raster.ts and lib/core/mean_plane.ts. */
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/core/image.ts";
import { meanPlane } from "../../lib/core/mean_plane.ts";
import { boxAbout, rastersOf } from "../../lib/core/raster.ts";

const image = (...values: readonly (readonly number[])[]) =>
  createImage({
    width: 2,
    height: 1,
    unit: "adu",
    planes: values.map((each, c) => ({ channel: `${c}`, data: Float32Array.from(each) })),
  });

describe("boxAbout", () => {
  it("holds the whole pixels within reach, cut at the borders, and is empty outside", () => {
    expect(boxAbout({ width: 10, height: 8 }, 4.3, 3.8, 2)).toEqual({ x0: 3, x1: 6, y0: 2, y1: 5 });
    expect(boxAbout({ width: 10, height: 8 }, 0.4, 7.2, 2)).toEqual({ x0: 0, x1: 2, y0: 6, y1: 7 });
    const outside = boxAbout({ width: 10, height: 8 }, -5, 3, 2);
    expect(outside.x0).toBeGreaterThan(outside.x1);
  });
});

describe("rastersOf", () => {
  it("gives each plane its size, without a copy", () => {
    const two = image([1, 2], [3, 4]);
    expect(rastersOf(two).map(({ width, height }) => [width, height])).toEqual([[2, 1], [2, 1]]);
    expect(rastersOf(two)[1].data).toBe(two.planes[1].data);
  });
});

describe("meanPlane", () => {
  it("is the plane itself, or the mean of two, three or more; NaN in one gives NaN", () => {
    const one = image([1, 2]);
    expect(meanPlane(one)).toBe(one.planes[0].data);
    expect([...meanPlane(image([1, 2], [3, NaN]))]).toEqual([2, NaN]);
    expect([...meanPlane(image([1, 2], [3, 4], [8, 9]))]).toEqual([4, 5]);
    expect([...meanPlane(image([1, 2], [3, 4], [5, 6], [7, 8]))]).toEqual([4, 5]);
  });
});
