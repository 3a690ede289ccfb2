import { describe, expect, it } from "vitest";
import { repairPixels } from "../../lib/calibrate/repair_pixels.ts";
import { createMask, maskBit } from "../../lib/core/mask.ts";
import { imageOf } from "./support.ts";

describe("repairPixels", () => {
  it("takes the median of the eight neighbours, by hand", () => {
    const bad = createMask(3, 3);
    bad[4] = maskBit.defect;
    const result = repairPixels(imageOf(3, 3, [1, 2, 3, 4, 900, 6, 7, 8, 50]), bad);
    expect(result.planes[0].data[4]).toBe(5);
    expect(result.mask?.[4]).toBe(maskBit.defect | maskBit.repaired);
  });
  it("keeps to the colour of a mosaic", () => {
    const values = Array.from({ length: 81 }, (_, p) => p % 2 === 0 && Math.floor(p / 9) % 2 === 0 ? 10 : 99);
    const bad = createMask(9, 9);
    bad[40] = maskBit.defect;
    const raw = imageOf(9, 9, values, "RGGB");
    raw.planes[0].data[40] = 5000;
    expect(repairPixels(raw, bad).planes[0].data[40]).toBe(values[40]);
  });
  it("makes no replacement from another bad pixel", () => {
    const bad = createMask(5, 1);
    bad[1] = bad[2] = maskBit.defect;
    const result = repairPixels(imageOf(5, 1, [10, 8000, 9000, 14, 20]), bad);
    expect(Array.from(result.planes[0].data)).toEqual([10, 12, 14, 14, 20]);
  });
  it("mends missing data and says where nothing is near", () => {
    const values = new Float32Array(49).fill(NaN);
    values[0] = 3;
    const result = repairPixels(imageOf(7, 7, values), createMask(7, 7));
    expect(result.planes[0].data[1]).toBe(3);
    expect(result.planes[0].data[48]).toBeNaN();
    expect(result.mask?.[48]).toBe(maskBit.noData);
  });
  it("counts only the bits asked for", () => {
    const bad = createMask(3, 3);
    bad[4] = maskBit.saturated;
    const image = imageOf(3, 3, [1, 1, 1, 1, 9, 1, 1, 1, 1]);
    expect(repairPixels(image, bad, { bits: maskBit.defect }).planes[0].data[4]).toBe(9);
    expect(() => repairPixels(image, bad, { bits: 0 })).toThrow("bits must be a whole number from 1 to 255");
    expect(() => repairPixels(image, createMask(2, 2))).toThrow("bad must hold 3 × 3 bytes");
  });
});
