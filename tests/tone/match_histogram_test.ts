import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { constantImage, createImage, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { applyHistogram, fitHistogram, matchHistogram, sortedSamples } from "../../lib/tone/match_histogram.ts";

// Values of scikit-image, from fixtures/tone/generate.py.
const stored = JSON.parse(readFileSync(new URL("../../fixtures/tone/values.json", import.meta.url), "utf8"));

/** The minimal-standard generator of Park & Miller 1988. */
function uniform(n: number, seed: number): number[] {
  let s = seed;
  return Array.from({ length: n }, () => (s = 16807 * s % 2147483647) / 2147483647);
}
const line = (values: readonly number[], unit: "adu" | "display" = "adu"): Image =>
  createImage({
    width: values.length,
    height: 1,
    unit,
    planes: [{ channel: "L", data: Float32Array.from(values) }],
  });

describe("matchHistogram", () => {
  it("agrees with scikit-image, also where many samples are equal", () => {
    const smooth = matchHistogram(
      line(uniform(400, 7).map((v) => v * v)),
      line(uniform(600, 8).map((v) => 0.2 + 0.6 * v)),
    );
    stored.match.forEach((v: number, i: number) => expect(smooth.planes[0].data[i]).toBeCloseTo(v, 5));
    const steps = matchHistogram(
      line(uniform(400, 9).map((v) => Math.floor(12 * v) / 12)),
      line(uniform(300, 10).map((v) => Math.floor(5 * v) / 5)),
    );
    stored.matchSteps.forEach((v: number, i: number) => expect(steps.planes[0].data[i]).toBeCloseTo(v, 5));
  });

  const field = (seed: number, level: number, sigma: number): Image => {
    const random = randomStream(seed);
    const planes = ["R", "G", "B"].map((channel, c) => ({
      channel,
      data: Float32Array.from(
        { length: 90_000 },
        (_, i) => level * (1 + c) + sigma * random.gaussian() + (i % 500 === 0 ? 4000 * random.uniform() : 0),
      ),
    }));
    return createImage({ width: 300, height: 300, unit: "adu", planes });
  };

  it("gives each channel the quantiles of the reference's, to a hundredth of the noise", () => {
    const made = matchHistogram(field(1, 1000, 10), field(2, 300, 25));
    const wanted = field(2, 300, 25);
    made.planes.forEach(({ data }, c) => {
      const a = data.toSorted();
      const b = wanted.planes[c].data.toSorted();
      for (const share of [0, 0.001, 0.05, 0.5, 0.95, 0.997, 1]) {
        const k = Math.round(share * (a.length - 1));
        expect(Math.abs(a[k] - b[k])).toBeLessThan(share > 0.99 ? 2 : 0.25);
      }
    });
  });

  it("can be undone, and goes part of the way", () => {
    const image = field(3, 500, 8);
    const match = fitHistogram(image, field(4, 800, 16));
    const there = applyHistogram(image, match);
    const back = applyHistogram(there, match, { inverse: true });
    for (let c = 0; c < 3; c++) {
      for (let i = 0; i < 90_000; i += 7) {
        expect(Math.abs(back.planes[c].data[i] - image.planes[c].data[i])).toBeLessThan(0.002);
      }
    }
    const half = applyHistogram(image, match, { strength: 0.5 });
    expect(half.planes[0].data[5]).toBeCloseTo((image.planes[0].data[5] + there.planes[0].data[5]) / 2, 3);
  });

  it("on luminance moves all channels of a pixel alike; NaN stays; pictures stay within 0 … 1", () => {
    const image = field(5, 400, 10);
    const made = matchHistogram(image, field(6, 700, 10), { on: "luminance" });
    const move = (c: number) => made.planes[c].data[17] - image.planes[c].data[17];
    expect(move(0)).toBeCloseTo(move(2), 2);
    const gap = matchHistogram(line([0.1, NaN, 0.9], "display"), line([0, 1], "display"));
    expect(gap.planes[0].data[1]).toBeNaN();
    expect(gap.planes[0].data[2]).toBe(1);
  });

  it("sorts as a comparison does", () => {
    const random = randomStream(8);
    const data = Float32Array.from({ length: 5000 }, () => 1e3 * random.gaussian() ** 5);
    data[3] = NaN;
    expect([...sortedSamples(data)]).toEqual([...data].filter((v) => v === v).sort((a, b) => a - b));
  });

  it("refuses misuse by name", () => {
    expect(() => matchHistogram(line([1]), line([0.5], "display"))).toThrow("images must have one unit");
    expect(() => matchHistogram(field(1, 1, 1), line([1]))).toThrow("images must have as many planes, but got 3 and 1");
    expect(() => matchHistogram(line([1]), line([1]), { strength: 2 })).toThrow("strength must lie within 0 … 1");
    expect(() => applyHistogram(constantImage(2, 2, 1), fitHistogram(field(1, 1, 1), field(2, 1, 1)))).toThrow(
      "must have 3 planes like the match, but has 1",
    );
  });
});
