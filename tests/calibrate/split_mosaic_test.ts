import { describe, expect, it } from "vitest";
import { splitMosaic } from "../../lib/calibrate/split_mosaic.ts";
import { imageOf } from "./support.ts";

describe("splitMosaic", () => {
  const parts = splitMosaic(imageOf(4, 4, Array.from({ length: 16 }, (_, p) => p), "GBRG"));
  it("takes each colour's pixels", () => {
    expect(Array.from(parts.red.planes[0].data)).toEqual([4, 6, 12, 14]);
    expect(Array.from(parts.green1.planes[0].data)).toEqual([5, 7, 13, 15]);
    expect(Array.from(parts.green2.planes[0].data)).toEqual([0, 2, 8, 10]);
    expect(Array.from(parts.blue.planes[0].data)).toEqual([1, 3, 9, 11]);
  });
  it("keeps the true position: a pixel lies where its sensor pixel lies", () => {
    expect(parts.red.geometry.origin).toEqual({ x: 0, y: 1 });
    expect(parts.green2.geometry.origin).toEqual({ x: 0, y: 0 });
    expect(parts.blue.geometry.scale).toBe(2);
    expect(parts.red.history.head).not.toBe(parts.blue.history.head);
  });
  it("refuses mono images", () => {
    expect(() => splitMosaic(imageOf(2, 2, [1, 2, 3, 4]))).toThrow("must be one plane with a Bayer pattern");
    expect(() => splitMosaic(imageOf(1, 2, [1, 2], "RGGB"))).toThrow("must have 2 × 2 pixels");
  });
});
