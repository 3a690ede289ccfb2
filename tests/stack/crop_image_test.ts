import { describe, expect, it } from "vitest";
import fc from "fast-check";
import { createImage } from "../../lib/doors/extend.ts";
import { commonRegion, constantImage, cropImage } from "../../lib/mod.ts";

const coverage = (width: number, height: number, data: number[]) =>
  createImage({ width, height, unit: "adu", planes: [{ channel: "coverage", data: Float32Array.from(data) }] });

describe("cropImage", () => {
  it("keeps the pixels of the rectangle and says where they lay", () => {
    const data = Float32Array.from({ length: 12 }, (_, i) => i);
    const image = createImage({ width: 4, height: 3, unit: "adu", planes: [{ channel: "L", data }] });
    const part = cropImage(image, { x: 1, y: 1, width: 2, height: 2 });
    expect([...part.planes[0].data]).toEqual([5, 6, 9, 10]);
    expect(part.geometry.origin).toEqual({ x: 1, y: 1 });
  });
  it("refuses what reaches beyond", () => {
    expect(() => cropImage(constantImage(4, 4, 0), { x: 3, width: 2 })).toThrow("must lie within 4 × 4 pixels");
    expect(() => cropImage(constantImage(4, 4, 0), { x: 0.5 })).toThrow("must lie within");
  });
});

describe("commonRegion", () => {
  it("agrees with trying every rectangle", () => {
    const plane = fc.tuple(fc.integer({ min: 1, max: 6 }), fc.integer({ min: 1, max: 6 })).chain(([w, h]) =>
      fc.array(fc.integer({ min: 0, max: 3 }), { minLength: w * h, maxLength: w * h }).map((data) => ({ w, h, data }))
    );
    fc.assert(
      fc.property(plane, ({ w, h, data }) => {
        const most = Math.max(...data);
        let area = 0;
        for (let y = 0; y < h; y++) {
          for (let x = 0; x < w; x++) {
            for (let b = y + 1; b <= h; b++) {
              for (let r = x + 1; r <= w; r++) {
                let all = true;
                for (let v = y; v < b; v++) for (let u = x; u < r; u++) all &&= data[v * w + u] >= 0.6 * most;
                if (all && most > 0) area = Math.max(area, (r - x) * (b - y));
              }
            }
          }
        }
        if (area === 0) expect(() => commonRegion([coverage(w, h, data)], 0.6)).toThrow("none does");
        else {
          const found = commonRegion([coverage(w, h, data)], 0.6);
          expect(found.width * found.height).toBe(area);
          const part = cropImage(coverage(w, h, data), found);
          expect(Math.min(...part.planes[0].data)).toBeGreaterThanOrEqual(0.6 * most);
        }
      }),
      { seed: 3, numRuns: 300 },
    );
  });
});
