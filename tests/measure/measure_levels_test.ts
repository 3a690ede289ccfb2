/** Levels against those that can be counted by hand. */
import { describe, expect, it } from "vitest";
import { constantImage, imageFromRows, measureLevels } from "faintlight";

describe("measureLevels", () => {
  const image = imageFromRows([[1, 2, 3, NaN], [4, 5, 6, 7]]);

  it("counts samples with data only", () => {
    const { samples, minimum, median, mean, maximum, range, standardDeviation, quantile } = measureLevels(image);
    expect([samples, minimum, median, mean, maximum, range]).toEqual([7, 1, 4, 4, 7, 6]);
    expect(standardDeviation).toBeCloseTo(Math.sqrt(28 / 6), 12);
    expect([quantile(0), quantile(0.5), quantile(1)]).toEqual([1, 4, 7]);
  });

  it("looks at a part and a channel", () => {
    expect(measureLevels(image, { region: { x: 1, y: 1, width: 2, height: 1 } }).mean).toBe(5.5);
    expect(() => measureLevels(image, { channel: "Ha" })).toThrow(/must have channel "Ha"/);
    expect(() => measureLevels(image, { region: { x: 3, y: 0, width: 2, height: 1 } })).toThrow(/within 4 × 2 pixels/);
  });

  it("knows nothing of samples that are not there", () => {
    const { samples, mean, median, quantile, standardDeviation } = measureLevels(constantImage(2, 2, NaN));
    expect([samples, mean, median, quantile(0.5), standardDeviation]).toEqual([0, null, null, null, null]);
    expect(() => measureLevels(image).quantile(2)).toThrow(/share must be 0 … 1/);
  });
});
