import { describe, expect, it } from "vitest";
import { demosaic } from "../../lib/calibrate/demosaic.ts";
import { type BayerPattern, shiftBayer } from "../../lib/core/geometry.ts";
import { derive, type Image } from "../../lib/core/image.ts";
import { createMask, maskBit } from "../../lib/core/mask.ts";
import { randomStream } from "../../lib/core/random.ts";
import { gauss } from "../support/numbers.ts";
import { imageOf, noisy, storedValues } from "./support.ts";

const patterns: readonly BayerPattern[] = ["RGGB", "BGGR", "GRBG", "GBRG"];
const methods = ["gradient", "bilinear", "block"] as const;
const colourOf = (pattern: BayerPattern, x: number, y: number): number => "RGB".indexOf(pattern[(y & 1) * 2 + (x & 1)]);
const mosaicOf = (
  pattern: BayerPattern,
  width: number,
  height: number,
  at: (c: number, x: number, y: number) => number,
) =>
  imageOf(
    width,
    height,
    Array.from({ length: width * height }, (_, p) => {
      const x = p % width;
      const y = Math.floor(p / width);
      return at(colourOf(pattern, x, y), x, y);
    }),
    pattern,
  );
const at = (image: Image, plane: number, x: number, y: number): number => image.planes[plane].data[y * image.width + x];

describe("demosaic", () => {
  // Values printed in the documentation of the colour-demosaicing package (Malvar 2004 method). It repeats the edge of
  // the raw array, so the input is padded that way here; the padding is two pixels, which keeps the phase.
  it("gives the published values of the gradient filters", () => {
    const raw = [
      [0.3764706, 0.36078432, 0.40784314, 0.3764706],
      [0.35686275, 0.30980393, 0.36078432, 0.29803923],
    ];
    const reflect = (i: number, size: number) => i < 0 ? -i - 1 : i >= size ? 2 * size - 1 - i : i;
    const padded = Array.from(
      { length: 8 * 6 },
      (_, p) => raw[reflect(Math.floor(p / 8) - 2, 2)][reflect(p % 8 - 2, 4)],
    );
    const result = demosaic(imageOf(8, 6, padded, "BGGR"));
    const published = [
      [
        [0.35539217, 0.37058825, 0.3764706],
        [0.34264707, 0.36078432, 0.37450981],
        [0.36568628, 0.39607844, 0.40784314],
        [0.36568629, 0.3764706, 0.3882353],
      ],
      [
        [0.34411765, 0.35686275, 0.36200981],
        [0.30980393, 0.32990197, 0.34975491],
        [0.33039216, 0.36078432, 0.38063726],
        [0.29803923, 0.30441178, 0.31740197],
      ],
    ];
    published.forEach((row, y) =>
      row.forEach((rgb, x) =>
        // float32 samples: the last of eight digits may differ by one.
        rgb.forEach((value, c) => expect(Math.abs(at(result, c, x + 2, y + 2) - value)).toBeLessThan(1e-7))
      )
    );
  });

  // scipy.ndimage.convolve with mode "mirror", values by hand from the kernels.
  it("gives scipy's bilinear planes of a 4 × 4 mosaic", () => {
    const result = demosaic(
      imageOf(4, 4, [10, 20, 12, 22, 30, 40, 32, 44, 14, 24, 16, 26, 34, 46, 36, 48], "RGGB"),
      { method: "bilinear" },
    );
    const row = (plane: number) => Array.from(result.planes[plane].data.subarray(4, 8));
    expect(row(0)).toEqual([12, 13, 14, 14]);
    expect(row(1)).toEqual([30, 26.5, 32, 28]);
    expect(row(2)).toEqual([40, 40, 42, 44]);
  });

  // scipy 1.17.1 through fixtures/combine/generate.py; odd sizes, GRBG.
  it("gives scipy's bilinear planes of an odd-sized mosaic, edges included", () => {
    const raw = gauss(99, 31).map((z) => 100 + 20 * z);
    const stored = storedValues().bilinear;
    const result = demosaic(imageOf(11, 9, raw, "GRBG"), { method: "bilinear" });
    ["R", "G", "B"].forEach((name, c) =>
      stored[name as "R" | "G" | "B"].forEach((value, p) =>
        // float32 input and output of numbers near 100.
        expect(Math.abs(result.planes[c].data[p] - value)).toBeLessThan(2e-5)
      )
    );
  });

  it.each(methods)("keeps a constant colour constant everywhere, for every pattern (%s)", (method) => {
    for (const pattern of patterns) {
      const result = demosaic(mosaicOf(pattern, 11, 8, (c) => [3, 5, 7][c]), { method });
      for (let c = 0; c < 3; c++) {
        for (const value of result.planes[c].data) expect(value).toBe([3, 5, 7][c]);
      }
    }
  });

  it("reproduces a ramp that is equal in all channels, away from the edge", () => {
    const result = demosaic(mosaicOf("GBRG", 16, 12, (_, x, y) => 3 * x + 5 * y));
    for (let y = 2; y < 10; y++) {
      for (let x = 2; x < 14; x++) for (let c = 0; c < 3; c++) expect(at(result, c, x, y)).toBe(3 * x + 5 * y);
    }
  });

  // Root of the sum of squared filter coefficients (Malvar, He & Cutler 2004): 0.750 (green), 0.996 and 0.976 (red,
  // blue).
  it("carries noise by the gains of the filters", () => {
    const result = demosaic(imageOf(256, 256, noisy(256, 256, 0, 1, 5), "RGGB"));
    const sdAt = (plane: number, ox: number, oy: number): number => {
      let square = 0;
      let n = 0;
      for (let y = 2 + oy; y < 254; y += 2) {
        for (let x = 2 + ox; x < 254; x += 2) {
          square += at(result, plane, x, y) ** 2;
          n++;
        }
      }
      return Math.sqrt(square / n);
    };
    // 16 000 samples that overlap in part: 4 standard errors are 3 %.
    expect(sdAt(1, 0, 0) / 0.75).toBeCloseTo(1, 1.2);
    expect(sdAt(0, 1, 0) / 0.9961).toBeCloseTo(1, 1.2);
    expect(sdAt(0, 1, 1) / 0.9763).toBeCloseTo(1, 1.2);
    expect(sdAt(0, 0, 0)).toBeCloseTo(1, 1.2);
  });

  it("keeps every sample that the sensor read", () => {
    const random = randomStream(3);
    const raw = mosaicOf("BGGR", 9, 7, () => random.uniform());
    for (const method of ["gradient", "bilinear"] as const) {
      const result = demosaic(raw, { method });
      for (let p = 0; p < 63; p++) {
        const c = colourOf("BGGR", p % 9, Math.floor(p / 9));
        expect(result.planes[c].data[p]).toBe(raw.planes[0].data[p]);
      }
    }
  });

  it("moves with the crop: the pattern follows the origin", () => {
    const random = randomStream(8);
    const values = Array.from({ length: 20 * 16 }, () => random.uniform());
    const whole = demosaic(imageOf(20, 16, values, "RGGB"));
    const part = Array.from({ length: 13 * 11 }, (_, p) => values[(Math.floor(p / 13) + 3) * 20 + p % 13 + 1]);
    const cropped = demosaic(imageOf(13, 11, part, shiftBayer("RGGB", 1, 3)));
    for (let y = 2; y < 9; y++) {
      for (let x = 2; x < 11; x++) {
        for (let c = 0; c < 3; c++) expect(at(cropped, c, x, y)).toBe(at(whole, c, x + 1, y + 3));
      }
    }
  });

  it("draws no dark ring round a saturated star when the mask tells it", () => {
    const star = mosaicOf("RGGB", 32, 32, (c, x, y) => {
      const light = 400000 * Math.exp(-((x - 15.4) ** 2 + (y - 16.2) ** 2) / (2 * 1.3 ** 2));
      return Math.min(60000, 500 + light * [0.5, 1, 0.3][c]);
    });
    const mask = createMask(32, 32);
    star.planes[0].data.forEach((value, p) => mask[p] = value >= 60000 ? maskBit.saturated : 0);
    const lowest = (image: Image) => Math.min(...image.planes.flatMap((plane) => Array.from(plane.data)));
    const bare = lowest(demosaic(star));
    const held = lowest(demosaic(derive(star, { mask }, { step: "mask", options: {} })));
    expect(bare).toBeLessThan(-5000);
    // What is left lies further out than the limit works: 80 of 60 000.
    expect(held).toBeGreaterThan(400);
  });

  it("takes one missing sample for missing in its own colour only", () => {
    const raw = mosaicOf("RGGB", 10, 10, (c) => [30, 50, 70][c]);
    raw.planes[0].data[4 * 10 + 4] = NaN;
    const result = demosaic(raw);
    expect(at(result, 0, 4, 4)).toBeNaN();
    const missing = result.planes.map((plane) => plane.data.filter((value) => Number.isNaN(value)).length);
    expect(missing).toEqual([1, 0, 0]);
    expect(at(result, 0, 5, 4)).toBe(30);
  });

  it("halves the geometry with blocks by the half-pixel rule and averages the greens", () => {
    const raw = imageOf(5, 4, [1, 2, 3, 4, 9, 5, 6, 7, 8, 9, 1, 2, 3, 4, 9, 5, 6, 7, 8, 9], "RGGB");
    const result = demosaic(raw, { method: "block" });
    expect([result.width, result.height]).toEqual([2, 2]);
    expect(result.planes.map((plane) => plane.data[0])).toEqual([1, 3.5, 6]);
    expect(result.geometry.origin).toEqual({ x: 0.5, y: 0.5 });
    expect(result.geometry.scale).toBe(2);
  });

  it("leaves its input untouched and records what it did", () => {
    const raw = mosaicOf("RGGB", 8, 8, (_, x, y) => x * y);
    const before = raw.planes[0].data.slice();
    const result = demosaic(raw);
    expect(raw.planes[0].data).toEqual(before);
    expect(result.geometry.bayer).toBeNull();
    expect(result.history.nodes.at(-1)?.options).toEqual({ method: "gradient" });
  });

  it("says what is wrong", () => {
    expect(() => demosaic(imageOf(4, 4, new Float32Array(16)))).toThrow("must be one plane with a Bayer pattern");
    const raw = mosaicOf("RGGB", 4, 4, () => 1);
    expect(() => demosaic(raw, { method: "sharp" as "block" })).toThrow('but got "sharp"');
    expect(() => demosaic(imageOf(1, 4, new Float32Array(4), "RGGB"), { method: "block" })).toThrow("must have 2 × 2");
  });
});
