import { describe, expect, it } from "vitest";
import { prepareCorrection } from "../../lib/calibrate/prepare_correction.ts";
import { constantImage } from "../../lib/core/image.ts";
import { imageOf } from "./support.ts";

describe("prepareCorrection", () => {
  const light = constantImage(2, 2, 0);
  it("scales dark current, not the bias", () => {
    const masters = { bias: constantImage(2, 2, 100), dark: constantImage(2, 2, 130) };
    expect(prepareCorrection(light, masters, { darkScale: 0.5 }).subtract?.[0]).toBe(115);
    expect(prepareCorrection(light, masters).subtract?.[0]).toBe(130);
  });
  it("turns the flat into factors of mean level 1 and drops what is dark", () => {
    const { multiply, notes } = prepareCorrection(light, { flat: imageOf(2, 2, [4, 4, 8, 0]) });
    expect(Array.from(multiply ?? [])).toEqual([1, 1, 0.5, NaN]);
    expect(notes).toContain("1 pixels without light in the flat give no data");
  });
  it("says what is wrong", () => {
    expect(() => prepareCorrection(light, {}, { minimumFlat: 1 })).toThrow("minimumFlat must lie between 0 and 1");
    expect(() => prepareCorrection(light, {}, { saturationLevel: 0 })).toThrow("saturationLevel must be > 0");
    expect(() => prepareCorrection(light, {}, { darkScale: -1 })).toThrow("darkScale must be ≥ 0");
  });
});
