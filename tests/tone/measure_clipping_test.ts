import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/core/image.ts";
import { measureClipping } from "../../lib/tone/measure_clipping.ts";

describe("measureClipping", () => {
  const planes = [Float32Array.of(0, -1, 0.5, 1), Float32Array.of(NaN, 0.2, 2, 0.4)];
  const image = createImage({
    width: 4,
    height: 1,
    unit: "display",
    planes: planes.map((data, i) => ({ channel: "RG"[i], data })),
  });

  it("counts each channel's samples at and beyond the ends, those with data only", () => {
    expect(measureClipping(image)).toEqual([
      { channel: "R", atBlack: 0.5, atWhite: 0.25, samples: 4 },
      { channel: "G", atBlack: 0, atWhite: 1 / 3, samples: 3 },
    ]);
  });

  it("counts to the ends that are named, and nothing where there is no data", () => {
    expect(measureClipping(image, 0.5, 3)[0]).toMatchObject({ atBlack: 0.75, atWhite: 0 });
    const none = createImage({
      width: 1,
      height: 1,
      unit: "adu",
      planes: [{ channel: "L", data: Float32Array.of(NaN) }],
    });
    expect(measureClipping(none)).toEqual([{ channel: "L", atBlack: 0, atWhite: 0, samples: 0 }]);
  });
});
