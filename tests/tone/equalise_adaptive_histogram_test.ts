import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { constantImage, createImage, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { setWorkerCount, workerCount } from "../../lib/parallel/pool.ts";
import {
  equaliseAdaptiveHistogram,
  equaliseAdaptiveHistogramMargin,
} from "../../lib/tone/equalise_adaptive_histogram.ts";

// Values of scikit-image, from fixtures/tone/generate.py.
const stored = JSON.parse(readFileSync(new URL("../../fixtures/tone/values.json", import.meta.url), "utf8"));

const picture = (width: number, height: number, of: (i: number) => number): Image =>
  createImage({
    width,
    height,
    unit: "display",
    planes: [{ channel: "L", data: Float32Array.from({ length: width * height }, (_, i) => of(i)) }],
  });
/** The minimal-standard generator of Park & Miller 1988. */
function uniform(n: number, seed: number): number[] {
  let s = seed;
  return Array.from({ length: n }, () => (s = 16807 * s % 2147483647) / 2147483647);
}
const full = { tilesAlong: 4, clipLimit: 2, strength: 1, bins: 256 };

describe("equaliseAdaptiveHistogram", () => {
  const grain = uniform(65536, 11);
  const raw = grain.map((v, i) => 0.3 * (i % 256 + Math.floor(i / 256)) / 510 + 0.7 * v ** 3);
  const low = raw.reduce((a, b) => Math.min(a, b));
  const high = raw.reduce((a, b) => Math.max(a, b));
  const textured = picture(256, 256, (i) => (raw[i] - low) / (high - low));
  const thin = (image: Image) =>
    Array.from({ length: 256 }, (_, k) => image.planes[0].data[(k >> 4) * 16 * 256 + (k & 15) * 16]);

  it("agrees with scikit-image's limited equalisation by parts (counts there are whole, and its ends are drawn to 0 and 1)", () => {
    const made = equaliseAdaptiveHistogram(textured, full);
    const list = thin(made);
    const all = made.planes[0].data.toSorted();
    const from = all[0];
    const to = all[all.length - 1];
    const away = stored.local.map((v: number, i: number) => Math.abs((list[i] - from) / (to - from) - v));
    expect(Math.max(...away)).toBeLessThan(0.02);
    // The equalisation itself moves them fifteen times as far.
    const moved = thin(textured).map((v, i) => Math.abs(v - stored.local[i]));
    expect(Math.max(...moved)).toBeGreaterThan(0.2);
  });

  it("without a limit and in one part is plain equalisation (scikit-image)", () => {
    const made = thin(equaliseAdaptiveHistogram(textured, { ...full, tilesAlong: 1, clipLimit: Infinity, bins: 4096 }));
    stored.whole.forEach((v: number, i: number) => expect(Math.abs(made[i] - v)).toBeLessThan(0.002));
  });

  it("with a limit of 1 changes nothing; strength goes part of the way; slopes keep to the limit", () => {
    const random = randomStream(3);
    const image = picture(80, 60, () => 0.3 + 0.02 * random.gaussian());
    const same = equaliseAdaptiveHistogram(image, { ...full, clipLimit: 1 });
    for (let i = 0; i < 4800; i++) expect(same.planes[0].data[i]).toBeCloseTo(image.planes[0].data[i], 5);
    const whole = equaliseAdaptiveHistogram(image, { ...full, tilesAlong: 1, clipLimit: 3 });
    const half = equaliseAdaptiveHistogram(image, { ...full, tilesAlong: 1, clipLimit: 3, strength: 0.5 });
    expect(half.planes[0].data[9]).toBeCloseTo((whole.planes[0].data[9] + image.planes[0].data[9]) / 2, 5);
    const spread = (it: Image) => {
      const list = it.planes[0].data.toSorted();
      return list[4000] - list[800];
    };
    expect(spread(whole) / spread(image)).toBeLessThanOrEqual(3.0001);
    expect(spread(whole) / spread(image)).toBeGreaterThan(2);
  });

  it("keeps hues: the channels' ratios follow their mean", () => {
    const random = randomStream(4);
    const light = Float32Array.from({ length: 6400 }, () => 0.2 + 0.05 * random.uniform());
    const planes = [0.8, 1, 1.2].map((k, c) => ({ channel: "RGB"[c], data: light.map((v) => k * v) }));
    const made = equaliseAdaptiveHistogram(createImage({ width: 80, height: 80, unit: "display", planes }), {
      ...full,
      clipLimit: 3,
    });
    for (let i = 0; i < 6400; i += 13) {
      const [r, g, b] = made.planes.map(({ data }) => data[i]);
      if (b < 0.999) expect(Math.abs(r / g - 0.8) + Math.abs(b / g - 1.2)).toBeLessThan(1e-4);
    }
  });

  it("keeps white white where the curves of the parts round to a hair beyond it", () => {
    const random = randomStream("white stars");
    const size = 160 * 120;
    const white = Float32Array.from(
      { length: size },
      () => random.uniform() < 0.5 ? 1 : 0.08 + 0.03 * random.uniform(),
    );
    const planes = ["R", "G", "B"].map((channel) => ({ channel, data: white }));
    const image = createImage({ width: 160, height: 120, unit: "display", planes });
    for (const strength of [0.3, 0.7, 1]) {
      const out = equaliseAdaptiveHistogram(image, { strength, tilesAlong: 7 }).planes;
      for (const { data } of out) expect(data.every((v, i) => white[i] < 1 || v === 1)).toBe(true);
    }
  });

  it("gives the same bytes for any number of workers, keeps NaN, refuses misuse", () => {
    const random = randomStream(5);
    const image = picture(500, 400, (i) => i === 11 ? NaN : random.uniform() ** 2);
    const before = workerCount();
    try {
      setWorkerCount(0);
      const alone = equaliseAdaptiveHistogram(image).planes[0].data;
      setWorkerCount(2);
      expect(equaliseAdaptiveHistogram(image).planes[0].data).toEqual(alone);
      expect(alone[11]).toBeNaN();
    } finally {
      setWorkerCount(before);
    }
    expect(() => equaliseAdaptiveHistogram(constantImage(9, 9, 1))).toThrow("stretched picture");
    expect(() => equaliseAdaptiveHistogram(image, { clipLimit: 0.5 })).toThrow("clipLimit must be ≥ 1, but got 0.5");
    expect(() => equaliseAdaptiveHistogram(image, { tilesAlong: 0 })).toThrow(
      "tilesAlong must be a whole number of 1 … 64",
    );
  });
});

describe("equaliseAdaptiveHistogramMargin", () => {
  const width = 403;
  const height = 301;
  const options = { tilesAlong: 9, strength: 1, clipLimit: 4 };
  const random = randomStream("margin of tiles");
  const base = picture(width, height, () => random.uniform());
  const margin = equaliseAdaptiveHistogramMargin(options, base);
  const box = { left: 180, right: 220, top: 140, bottom: 160 };
  /** Samples of the box in a result whose picture was blackened further than `reach` pixels from the box. */
  const inside = (reach: number): number[] => {
    const far = picture(width, height, (i) => {
      const x = i % width;
      const y = Math.floor(i / width);
      const near = x >= box.left - reach && x <= box.right + reach && y >= box.top - reach && y <= box.bottom + reach;
      return near ? base.planes[0].data[i] : 0;
    });
    const made = equaliseAdaptiveHistogram(far, options).planes[0].data;
    return [...made].filter((_, i) => {
      const x = i % width;
      const y = Math.floor(i / width);
      return x >= box.left && x <= box.right && y >= box.top && y <= box.bottom;
    });
  };

  it("holds all that a place depends on: what lies beyond changes no sample, what lies at half of it does", () => {
    const whole = inside(Infinity);
    expect(inside(margin)).toEqual(whole);
    expect(inside(Math.floor(margin / 2))).not.toEqual(whole);
  });
});
