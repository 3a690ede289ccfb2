import { describe, expect, it } from "vitest";
import { randomStream } from "../../lib/core/random.ts";
import { dilate, erode, open, reconstruct } from "../../lib/filters/morphology.ts";

describe("morphology on a line: values of scipy.ndimage 1.10.1 and skimage.morphology.reconstruction", () => {
  const line = Float32Array.of(0, 0, 1, 5, 9, 5, 1, 0, 0, 0, 3, 3, 3, 3, 0);
  it.each(
    [
      ["erosion 3", erode(line, 15, 1, 1), [0, 0, 0, 1, 5, 1, 0, 0, 0, 0, 0, 3, 3, 0, 0]],
      ["opening 3", open(line, 15, 1, 1), [0, 0, 1, 5, 5, 5, 1, 0, 0, 0, 3, 3, 3, 3, 0]],
      ["opening 5", open(line, 15, 1, 2), [0, 0, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0]],
      [
        "reconstruction of line − 4",
        reconstruct(line.map((v) => Math.max(v - 4, 0)), line, 15, 1),
        [0, 0, 1, 5, 5, 5, 1, 0, 0, 0, 0, 0, 0, 0, 0],
      ],
    ] as const,
  )("%s", (_name, found, wanted) => expect([...found]).toEqual([...wanted]));

  it("erosion and dilation of discs are each other's mirror, and NaN is left out", () => {
    const random = randomStream(6);
    const data = Float32Array.from({ length: 400 }, () => random.gaussian());
    const mirror = dilate(data.map((v) => -v), 20, 20, 2.3);
    expect([...erode(data, 20, 20, 2.3)]).toEqual([...mirror].map((v) => -v));
    const gap = data.slice();
    gap[210] = NaN;
    expect(erode(gap, 20, 20, 1).every((v) => v === v)).toBe(true);
  });
});
