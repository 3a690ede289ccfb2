import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/core/image.ts";
import { channelHistograms } from "../../lib/view/histogram_drawing.ts";

describe("histograms", () => {
  it("count every sample once and tell what is clipped", () => {
    const image = createImage({
      width: 10,
      height: 1,
      unit: "display",
      planes: [{ channel: "L", data: Float32Array.of(0, 0, -0.2, 0.1, 0.5, 0.5, 0.9, 1, 1.4, NaN) }],
    });
    const [found] = channelHistograms(image, [0, 1], 4, "automatic");
    expect(found.total).toBe(9);
    expect(found.lowShare).toBeCloseTo(3 / 9, 12);
    expect(found.highShare).toBeCloseTo(2 / 9, 12);
    expect(found.counts.reduce((sum, count) => sum + count, 0) + found.below + found.above).toBe(9);
  });
});
