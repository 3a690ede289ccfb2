import { describe, expect, it } from "vitest";
import { constantImage, createImage } from "../../lib/core/image.ts";
import { applyCurve } from "../../lib/tone/apply_curve.ts";
import { pixel } from "../support/pictures.ts";

describe("applyCurve", () => {
  const picture = createImage({
    width: 2,
    height: 1,
    unit: "display",
    planes: ["R", "G", "B"].map((channel, c) => ({ channel, data: Float32Array.of([0.6, 0.4, 0.2][c], NaN) })),
  });
  const curve = { family: "spline", points: [[0, 0], [0.4, 0.5], [1, 1]] } as const;

  it("acts on luminance with ratios kept, on channels one by one, and on chroma with lightness kept", () => {
    pixel(applyCurve(picture, curve), 0).forEach((v, c) => expect(v).toBeCloseTo([0.75, 0.5, 0.25][c], 5));
    expect(pixel(applyCurve(picture, curve, { on: "channels" }), 0)[1]).toBeCloseTo(0.5, 6);
    const same = applyCurve(picture, { family: "power", exponent: 1 }, { on: "chroma" });
    pixel(same, 0).forEach((v, c) => expect(v).toBeCloseTo([0.6, 0.4, 0.2][c], 5));
    const more = pixel(applyCurve(picture, curve, { on: "chroma" }), 0);
    expect(more[0] - more[2]).toBeGreaterThan(0.4);
    expect(pixel(same, 1).every(Number.isNaN)).toBe(true);
  });

  it("refuses linear data and greys without chroma", () => {
    expect(() => applyCurve(constantImage(1, 1, 3))).toThrow("applyCurve: image must be a stretched picture");
    expect(() => applyCurve(constantImage(1, 1, 0.5, { unit: "display" }), undefined, { on: "chroma" })).toThrow(
      "must have R, G, B",
    );
  });
});
