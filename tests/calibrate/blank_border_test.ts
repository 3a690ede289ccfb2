/** Borders without sky, on frames made by hand. */
import { describe, expect, it } from "vitest";
import { blankBorder, hasBlankRun } from "../../lib/calibrate/blank_border.ts";
import { randomStream } from "../../lib/core/random.ts";

const width = 64;
const height = 48;

/** Sky of 300 ADU with noise, in whole steps as a camera counts. */
function sky(sigma: number, level = 300): Float32Array {
  const random = randomStream("sky");
  return Float32Array.from({ length: width * height }, () => Math.round(level + sigma * random.gaussian()));
}

const count = (marks: Uint8Array | null): number => marks?.reduce((sum, each) => sum + each, 0) ?? 0;

describe("blankBorder", () => {
  it("finds none in a frame as the camera wrote it", () => {
    expect(blankBorder({ data: sky(5), width, height })).toBeNull();
  });

  it("marks every pixel of padded columns and rows, and no other", () => {
    for (const value of [0, 1000]) {
      const data = sky(5);
      data.forEach((_, at) => {
        if (at % width < 6 || at >= (height - 3) * width) data[at] = value;
      });
      const marks = blankBorder({ data, width, height });
      expect(count(marks)).toBe(6 * height + 3 * width - 18);
      expect(marks?.[5]).toBe(1);
      expect(marks?.[6]).toBe(0);
    }
  });

  it("marks the empty corners of a frame that was turned", () => {
    const data = sky(5);
    const isCorner = (at: number) => at % width + Math.floor(at / width) < 20;
    data.forEach((_, at) => {
      if (isCorner(at)) data[at] = 0;
    });
    const marks = blankBorder({ data, width, height });
    expect(count(marks)).toBe(210);
    expect(data.findIndex((_, at) => marks?.[at] === 1 && !isCorner(at))).toBe(-1);
  });

  it("leaves the sky of a sensor that counts coarsely or cuts off at zero", () => {
    expect(blankBorder({ data: sky(0.2), width, height })).toBeNull();
    expect(blankBorder({ data: sky(5, 0).map((v) => Math.max(0, v)), width, height })).toBeNull();
  });

  it("asks for a closer look where eight samples of a line are the same", () => {
    expect(hasBlankRun(Float32Array.of(1, 2, 7, 7, 7, 7, 7, 7, 7, 7, 3))).toBe(true);
    expect(hasBlankRun(Float32Array.of(1, 2, 7, 7, 7, 7, 7, 7, 7, 3, 3))).toBe(false);
  });
});
