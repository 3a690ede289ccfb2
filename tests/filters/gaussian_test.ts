/** Covers kernels/mirror.ts. */
import { describe, expect, it } from "vitest";
import { gaussianTaps } from "../../lib/kernels/blur.ts";
import { mirror } from "../../lib/kernels/mirror.ts";
import { gaussianSmooth } from "../../lib/filters/gaussian.ts";

const width = 37;
const height = 29;

/** The definition: weighted mean over the known samples within reach, in float64. */
function bySum(data: Float32Array, x: number, y: number, sigma: number): number {
  const taps = gaussianTaps(sigma);
  const reach = taps.length - 1;
  let sum = 0;
  let known = 0;
  for (let j = -reach; j <= reach; j++) {
    for (let i = -reach; i <= reach; i++) {
      const v = data[mirror(y + j, height) * width + mirror(x + i, width)];
      const w = taps[Math.abs(i)] * taps[Math.abs(j)];
      if (v === v) [sum, known] = [sum + w * v, known + w];
    }
  }
  return sum / known;
}

describe("gaussianSmooth", () => {
  // Gaps one by one at every place of a row and at the last sample: whichever way they are looked for, none may be
  // missed.
  it.each([...Array.from({ length: 64 }, (_, k) => 5 * width + k), width * height - 1])(
    "fills a single gap at sample %d from its neighbours",
    (gap) => {
      const data = Float32Array.from({ length: width * height }, (_, i) => 100 + (i * 7919) % 101);
      data[gap] = NaN;
      const smooth = gaussianSmooth(data, width, height, 1.5);
      expect(smooth.every(Number.isFinite)).toBe(true);
      for (const at of [gap, 0, 14 * width + 20, 6 * width + 3]) {
        const x = at % width;
        const y = (at - x) / width;
        expect(Math.abs(smooth[at] - bySum(data, x, y, 1.5))).toBeLessThan(1e-4);
      }
    },
  );

  it("keeps constants and slopes, spreads a spike with its sum kept, and bridges gaps", () => {
    const data = new Float32Array(31 * 31);
    data[15 * 31 + 15] = 1;
    const out = gaussianSmooth(data, 31, 31, 2);
    expect(out.reduce((a, b) => a + b)).toBeCloseTo(1, 5);
    // The sampled Gaussian, normalised: exp(−1/8) of the centre one pixel off.
    expect(out[15 * 31 + 16] / out[15 * 31 + 15]).toBeCloseTo(Math.exp(-1 / 8), 5);
    const gap = new Float32Array(31 * 31).fill(4);
    gap[100] = NaN;
    expect(gaussianSmooth(gap, 31, 31, 1.5).every((v) => Math.abs(v - 4) < 1e-5)).toBe(true);
  });
});
