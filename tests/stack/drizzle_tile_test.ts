/** Covers kernels/drizzle.ts and judge_sample.ts. */
import { describe, expect, it } from "vitest";
import { stackImages, type StackImagesOptions } from "../../lib/stack/stack_images.ts";
import { referenceCanvas, rescaleCanvas } from "../../lib/core/canvas.ts";
import { plainGeometry } from "../../lib/core/geometry.ts";
import type { Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import type { Matrix3, SimilarityTransform } from "../../lib/core/transform.ts";
import { createDrop, dropShares } from "../../lib/kernels/drizzle.ts";
import { imageOf, moments, noisy } from "../calibrate/support.ts";
import { drawStars, testProfile } from "../support/scenes.ts";

const shift = (dx: number, dy: number): SimilarityTransform => ({
  kind: "similarity",
  matrix: [1, 0, dx, 0, 1, dy, 0, 0, 1],
});
const turn = (degrees: number, cx: number, cy: number, dx = 0, dy = 0): SimilarityTransform => {
  const c = Math.cos(degrees * Math.PI / 180);
  const s = Math.sin(degrees * Math.PI / 180);
  const matrix: Matrix3 = [c, -s, cx - c * cx + s * cy + dx, s, c, cy - s * cx - c * cy + dy, 0, 0, 1];
  return { kind: "similarity", matrix };
};
const spike = imageOf(5, 5, Array.from({ length: 25 }, (_, p) => p === 12 ? 100 : 0));
const drizzled = (dx: number, dy: number, dropSize: number, scale: number) => {
  const canvas = scale === 1 ? null : rescaleCanvas(referenceCanvas(spike), scale);
  return stackImages([spike], {
    registration: { transforms: [shift(dx, dy)] },
    drizzle: { dropSize },
    canvas,
    rejection: "none",
  });
};
const plane = (image: Image, k = 0) => image.planes[k].data;
const row = (image: Image, y: number) => Array.from(plane(image).subarray(y * image.width, (y + 1) * image.width));

describe("dropShares", () => {
  it("finds the shares of a turned drop: against counting 10⁶ points", () => {
    const drop = createDrop();
    const n = 1000;
    for (const angle of [0.1, 0.8, 2.2, -1.3]) {
      const c = 0.8 * Math.cos(angle);
      const s = 0.8 * Math.sin(angle);
      dropShares(1.37, 0.61, c, s, -0.6 * s, 0.6 * c, drop);
      const counts = new Float64Array(drop.width * drop.height);
      for (let i = 0; i < n; i++) {
        for (let j = 0; j < n; j++) {
          const u = (2 * i + 1) / n - 1;
          const v = (2 * j + 1) / n - 1;
          const x = Math.round(1.37 + u * c - 0.6 * v * s) - drop.x;
          const y = Math.round(0.61 + u * s + 0.6 * v * c) - drop.y;
          counts[y * drop.width + x] += 1 / (n * n);
        }
      }
      // Counting on a lattice errs by the boundary cells: some 1/n² · n / 10.
      counts.forEach((share, k) => expect(Math.abs(share - drop.shares[k])).toBeLessThan(1e-4));
    }
  });
});

describe("drizzle", () => {
  // Values of the drizzle package (1.13.4), computed when the method was described; Fruchter & Hook 2002.
  it("shifts by a quarter pixel with whole drops", () => {
    const { image, weight } = drizzled(0.25, 0, 1, 1);
    expect(row(image, 2)).toEqual([0, 0, 75, 25, 0]);
    expect(row(weight, 2)).toEqual([0.75, 1, 1, 1, 1]);
  });
  it("drops half-size pixels whole into one pixel", () => {
    const { image, weight } = drizzled(0.25, 0.1, 0.5, 1);
    expect(plane(image).reduce((a, b) => a + b, 0)).toBe(100);
    expect(plane(image)[12]).toBe(100);
    expect(new Set(plane(weight))).toEqual(new Set([1]));
  });
  it("makes a block of four on a grid twice as fine", () => {
    const { image, weight } = drizzled(0, 0, 1, 0.5);
    for (const [x, y] of [[4, 4], [5, 4], [4, 5], [5, 5]]) {
      expect(plane(image)[y * 10 + x]).toBe(100);
      expect(plane(weight)[y * 10 + x]).toBe(0.25);
    }
    expect(plane(image).reduce((a, b) => a + b, 0)).toBe(400);
  });
  it("splits a drop of 0.6 on a fine grid", () => {
    const { image, weight } = drizzled(0.3, 0, 0.6, 0.5);
    for (const y of [4, 5]) {
      expect(plane(image)[y * 10 + 5]).toBeCloseTo(100, 4);
      expect(plane(image)[y * 10 + 6]).toBeCloseTo(100, 4);
      expect(plane(weight)[y * 10 + 5]).toBeCloseTo(0.416667, 5);
      expect(plane(weight)[y * 10 + 6]).toBeCloseTo(0.083333, 5);
    }
  });

  it("keeps all of the light of a turned frame", () => {
    const random = randomStream("flux");
    const data = new Float32Array(40 * 40);
    for (let y = 12; y < 28; y++) for (let x = 12; x < 28; x++) data[y * 40 + x] = random.uniform();
    const { image, weight } = stackImages([imageOf(40, 40, data)], {
      registration: { transforms: [turn(27, 19.5, 19.5, 0.3, -0.2)] },
      drizzle: { dropSize: 0.8 },
      rejection: "none",
    });
    const made = plane(image).reduce((sum, value, p) => sum + (value === value ? value * plane(weight)[p] : 0), 0);
    expect(made / data.reduce((a, b) => a + b, 0)).toBeCloseTo(1, 5);
  });

  // R = r/(1 − 1/(3r)) for r = p/s ≥ 1, Fruchter & Hook 2002 section 7: true noise over what the pixel scatter tells.
  it("correlates noise as the formula says", () => {
    const size = 96;
    const frames = Array.from({ length: 24 }, (_, k) => imageOf(size, size, noisy(size, size, 0, 1, `d ${k}`)));
    const random = randomStream("places");
    const transforms = frames.map(() => shift(random.uniform(), random.uniform()));
    const canvas = rescaleCanvas(referenceCanvas(frames[0]), 0.5);
    for (const [dropSize, expected] of [[1, 2.4], [0.8, 2.021053], [0.6, 1.661538]]) {
      const { image } = stackImages(frames, {
        registration: { transforms },
        canvas,
        drizzle: { dropSize },
        rejection: "none",
      });
      const pixel: number[] = [];
      const sums: number[] = [];
      const side = 24;
      for (let y = 8; y + side <= 184; y += side) {
        for (let x = 8; x + side <= 184; x += side) {
          let sum = 0;
          for (let j = 0; j < side; j++) {
            for (let i = 0; i < side; i++) {
              sum += plane(image)[(y + j) * 192 + x + i];
              pixel.push(plane(image)[(y + j) * 192 + x + i]);
            }
          }
          sums.push(sum / side);
        }
      }
      // 49 squares know their scatter to 10 %, and a square of 24 pixels loses a few per cent at its edge.
      expect(Math.abs(moments(sums).sd / moments(pixel).sd / expected - 1)).toBeLessThan(0.3);
    }
  });

  const scene = (k: number, bayer: "RGGB" | null) => {
    const size = 64;
    const data = noisy(size, size, 200, 4, `z ${k}`);
    const angle = 1.5 * k;
    const transform = turn(angle, 31.5, 31.5, (k * 0.37) % 1, (k * 0.61) % 1);
    const back = turn(-angle, 31.5, 31.5);
    const stars = [[20, 22, 4000], [40, 30, 9000], [30, 45, 2500]].map(([x, y, flux]) => {
      const [a, b, c, d, e, f] = back.matrix;
      const rx = x - (k * 0.37) % 1;
      const ry = y - (k * 0.61) % 1;
      return { x: a * rx + b * ry + c, y: d * rx + e * ry + f, flux };
    });
    drawStars(data, size, size, stars, { ...testProfile, fwhm: 2.6 });
    return { image: imageOf(size, size, data, bayer), transform };
  };
  const stack = (
    bayer: "RGGB" | null,
    options: Partial<StackImagesOptions>,
    spoil: (data: Float32Array) => void,
  ) => {
    const frames = Array.from({ length: 30 }, (_, k) => scene(k, bayer));
    spoil(plane(frames[7].image));
    return stackImages(frames.map((each) => each.image), {
      registration: { transforms: frames.map((each) => each.transform) },
      ...options,
    });
  };

  it("rejects a satellite in a mosaic without interpolation, and leaves stars alone", () => {
    const clean = stack("RGGB", { drizzle: { dropSize: 1 } }, () => {});
    const hit = stack("RGGB", { drizzle: { dropSize: 1 } }, (data) => {
      for (let x = 5; x < 60; x++) data[(x >> 1) * 64 + x] += 400;
    });
    expect(hit.image.planes.map((each) => each.channel)).toEqual(["R", "G", "B"]);
    // 55 samples were hit, some of them outside the canvas after the turn.
    const more = plane(hit.rejections, 1).reduce((a, b) => a + b, 0) -
      plane(clean.rejections, 1).reduce((a, b) => a + b, 0);
    expect(more).toBeGreaterThan(45);
    for (let k = 0; k < 3; k++) {
      const off = plane(hit.image, k).map((value, p) => value - plane(clean.image, k)[p]);
      expect(Math.max(...off.filter((value) => value === value).map(Math.abs))).toBeLessThan(8);
    }
    expect(clean.report.dimmerShare + clean.report.brighterShare).toBeLessThan(0.004);
    expect(clean.report.notes.filter((note) => note.startsWith("drizzle, "))).toHaveLength(3);
  });

  it("keeps photometry and the shape of the reference's grid", () => {
    const { image } = stack(null, { drizzle: { dropSize: 0.8 } }, () => {});
    for (const [x, y, flux] of [[20, 22, 4000], [40, 30, 9000], [30, 45, 2500]]) {
      let sum = 0;
      for (let j = -6; j <= 6; j++) for (let i = -6; i <= 6; i++) sum += plane(image)[(y + j) * 64 + x + i] - 200;
      // A Moffat star of beta 3 keeps 1.4 % outside this square; sky noise of 169 pixels of σ 4/√30 adds 10.
      expect(Math.abs(sum / flux - 0.986)).toBeLessThan(0.015);
    }
    expect(image.geometry).toEqual(plainGeometry);
  });

  it("says what is wrong", () => {
    expect(() => drizzled(0, 0, 0, 1)).toThrow("dropSize must lie above 0");
  });
});
