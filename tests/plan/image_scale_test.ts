/** Scale and field. */
import { describe, expect, it } from "vitest";
import { fieldAlong, imageScale } from "faintlight/plan";

describe("imageScale", () => {
  it("is the plate scale of handbooks: 206 265″ over the focal length for each millimetre", () => {
    // Howell 2006, Handbook of CCD Astronomy, section 4.1, value from memory: 27.5″ a millimetre at 7.5 m
    expect(imageScale(1000, 7500)).toBeCloseTo(27.5, 1);
  });

  it("is what trigonometry says, for small angles", () => {
    const [p, f] = [3.1, 240];
    expect(imageScale(p, f)).toBeCloseTo(Math.atan(p / 1000 / f) * 180 / Math.PI * 3600, 8);
  });

  it("refuses a length of nothing", () => {
    expect(() => imageScale(3, 0)).toThrow("imageScale: focalLengthMm must be > 0, but got 0");
    expect(() => imageScale(NaN, 500)).toThrow(RangeError);
  });
});

describe("fieldAlong", () => {
  it("is the angle between the lines to both edges: 36 mm behind 36 mm see 53.13°, as any lens table says", () => {
    expect(fieldAlong(6000, imageScale(6, 36))).toBeCloseTo(53.13, 2);
  });

  it("is pixels times scale for a small field", () => {
    expect(fieldAlong(2000, 2)).toBeCloseTo(2000 * 2 / 3600, 4);
  });
});
