import { describe, expect, it } from "vitest";
import { trimOverscan } from "../../lib/calibrate/trim_overscan.ts";
import { imageOf } from "./support.ts";

describe("trimOverscan", () => {
  it("takes each row's level off and follows the crop", () => {
    const values = Array.from({ length: 12 * 20 }, (_, p) => (p % 12 < 4 ? 0 : 50) + 100 + Math.floor(p / 12));
    const result = trimOverscan(imageOf(12, 20, values, "RGGB"), {
      overscanRegion: { x: 0, y: 0, width: 4, height: 20 },
      smoothRows: 1,
      keepRegion: { x: 5, y: 1, width: 7, height: 19 },
    });
    expect([result.width, result.height]).toEqual([7, 19]);
    expect(new Set(result.planes[0].data)).toEqual(new Set([50]));
    expect(result.geometry.bayer).toBe("BGGR");
    expect(result.geometry.origin).toEqual({ x: 5, y: 1 });
  });

  it("smooths the level over rows by a median that one bad row does not move", () => {
    const values = Array.from({ length: 6 * 21 }, (_, p) => p % 6 < 3 ? (Math.floor(p / 6) === 10 ? 900 : 100) : 150);
    const result = trimOverscan(imageOf(6, 21, values), { overscanRegion: { x: 0, y: 0, width: 3, height: 21 } });
    expect(new Set(result.planes[0].data)).toEqual(new Set([50]));
  });

  it("says what is wrong", () => {
    const image = imageOf(4, 4, new Float32Array(16));
    expect(() => trimOverscan(image, { overscanRegion: { x: 3, y: 0, width: 2, height: 4 } })).toThrow(
      "overscan must lie within 4 × 4",
    );
    expect(() => trimOverscan(image, { overscanRegion: { x: 3, y: 0, width: 1, height: 2 } })).toThrow(
      "must cover the kept rows",
    );
    expect(() => trimOverscan(image, { smoothRows: 2 })).toThrow("smoothRows must be an odd number");
  });
});
