/** Covers interpolation_weights.ts, core/canvas.ts and kernels/warp_tile.ts. */
import { describe, expect, it } from "vitest";
import { referenceCanvas, rescaleCanvas } from "../../lib/core/canvas.ts";
import { plainGeometry, type Wcs } from "../../lib/core/geometry.ts";
import { createImage, type Image, type ImageParts } from "../../lib/core/image.ts";
import { maskBit } from "../../lib/core/mask.ts";
import { randomStream } from "../../lib/core/random.ts";
import { applyTransform, identityTransform, type Transform } from "../../lib/core/transform.ts";
import { fitTransform } from "../../lib/register/fit_transform.ts";
import { interpolationWeights } from "../../lib/register/interpolation_weights.ts";
import { resample } from "../../lib/register/resample.ts";

const imageOf = (
  width: number,
  height: number,
  value: (x: number, y: number) => number,
  more: Partial<ImageParts> = {},
): Image =>
  createImage({
    width,
    height,
    unit: "adu",
    planes: [{
      channel: "L",
      data: Float32Array.from({ length: width * height }, (_, i) => value(i % width, Math.floor(i / width))),
    }],
    ...more,
  });
const shift = (dx: number, dy: number): Transform => ({ kind: "similarity", matrix: [1, 0, dx, 0, 1, dy, 0, 0, 1] });
const noiseImage = (width: number, height: number, seed: number) => {
  const random = randomStream(seed);
  return imageOf(width, height, () => 100 + 5 * random.gaussian());
};

describe("interpolationWeights", () => {
  // the formula itself: raw Lanczos weights at half a pixel .0243171, −.1350949, .6079271, their sum .9942985
  it("are Lanczos' and Keys' divided by their sum", () => {
    const raw = [0.0243171, -0.1350949, 0.6079271];
    const sum = 0.9942985;
    interpolationWeights("lanczos3", 0.5).forEach((each, i) => {
      expect(Math.abs(each - raw[Math.min(i, 5 - i)] / sum)).toBeLessThan(1e-6);
    });
    expect(interpolationWeights("cubic", 0.5)).toEqual([-1 / 16, 9 / 16, 9 / 16, -1 / 16]); // Keys 1981
    expect(interpolationWeights("lanczos3", 0)).toEqual([0, 0, 1, 0, 0, 0]);
  });

  // sums of squared weights, computed with numpy; the noise that is left in a resampled pixel
  it("leave the share of noise that their squares say", () => {
    const factor = (kernel: "bilinear" | "cubic" | "lanczos3", phase: number) =>
      interpolationWeights(kernel, phase).reduce((a, b) => a + b * b, 0);
    expect(factor("bilinear", 0.5)).toBeCloseTo(0.5, 6);
    expect(factor("cubic", 0.5)).toBeCloseTo(0.640625, 6);
    expect(factor("cubic", 0.25)).toBeCloseTo(0.808838, 6);
    expect(factor("lanczos3", 0.5)).toBeCloseTo(0.785769, 6);
    expect(factor("lanczos3", 0.25)).toBeCloseTo(0.893833, 6);
    const mean = (kernel: "bilinear" | "cubic" | "lanczos3") => {
      let sum = 0;
      for (let k = 0; k < 1000; k++) sum += factor(kernel, (k + 0.5) / 1000) / 1000;
      return sum * sum;
    };
    expect(Math.abs(mean("bilinear") - 0.444444)).toBeLessThan(1e-4);
    expect(Math.abs(mean("cubic") - 0.663061)).toBeLessThan(1e-4);
    expect(Math.abs(mean("lanczos3") - 0.79811)).toBeLessThan(1e-4);
  });
});

describe("resample", () => {
  it("puts half a pixel between two samples", () => {
    const image = imageOf(9, 3, (x) => (x === 4 ? 8 : x === 5 ? 16 : 0));
    const moved = resample(image, shift(-0.5, 0), referenceCanvas(image), { interpolation: "bilinear" });
    expect([...moved.planes[0].data.subarray(9, 18)]).toEqual([0, 0, 0, 4, 12, 8, 0, 0, NaN]);
  });

  it("leaves a frame as it is when nothing moves, and moves whole pixels exactly", () => {
    const image = noiseImage(40, 30, 1);
    for (const kernel of ["lanczos3", "cubic", "bilinear", "nearest"] as const) {
      expect(resample(image, identityTransform, referenceCanvas(image), { interpolation: kernel }).planes[0].data)
        .toEqual(
          image.planes[0].data,
        );
    }
    const moved = resample(image, shift(3, -2), referenceCanvas(image)).planes[0].data;
    for (let y = 0; y < 27; y++) {
      for (let x = 3; x < 40; x++) expect(moved[y * 40 + x]).toBe(image.planes[0].data[(y + 2) * 40 + x - 3]);
    }
    expect(moved[0]).toBeNaN();
    expect(moved[29 * 40 + 20]).toBeNaN();
  });

  it("obeys the half-pixel rule on a grid twice as fine and twice as coarse", () => {
    const plane = (x: number, y: number) => 100 + 3 * x - 2 * y;
    const image = imageOf(16, 12, plane);
    for (const factor of [0.5, 2]) {
      const canvas = rescaleCanvas(referenceCanvas(image), factor);
      const made = resample(image, identityTransform, canvas, { interpolation: "cubic" });
      expect(made.geometry.scale).toBe(factor);
      for (let y = 2; y < canvas.height - 2; y++) {
        for (let x = 2; x < canvas.width - 2; x++) {
          // the first pixel's corner stays: centre of pixel (x, y) lies at factor · (x + 1/2) − 1/2
          const truth = plane(factor * (x + 0.5) - 0.5, factor * (y + 0.5) - 0.5);
          const sx = factor * (x + 0.5) - 0.5;
          const sy = factor * (y + 0.5) - 0.5;
          if (sx < 1 || sy < 1 || sx > 14 || sy > 10) continue;
          expect(Math.abs(made.planes[0].data[y * canvas.width + x] - truth)).toBeLessThan(1e-4);
        }
      }
    }
  });

  it("reproduces planes (cubic, bilinear) and constants (all) under rotation", () => {
    const plane = (x: number, y: number) => 1000 + 2 * x - 3 * y;
    const c = Math.cos(0.4);
    const s = Math.sin(0.4);
    const turn: Transform = { kind: "similarity", matrix: [c, -s, 20, s, c, -10, 0, 0, 1] };
    const image = imageOf(64, 64, plane);
    const flat = imageOf(64, 64, () => 7);
    const canvas = referenceCanvas(image);
    for (const kernel of ["cubic", "bilinear"] as const) {
      const made = resample(image, turn, canvas, { interpolation: kernel }).planes[0].data;
      let seen = 0;
      for (let i = 0; i < made.length; i++) {
        const x = c * (i % 64 - 20) + s * (Math.floor(i / 64) + 10);
        const y = -s * (i % 64 - 20) + c * (Math.floor(i / 64) + 10);
        if (x < 2 || y < 2 || x > 61 || y > 61) continue;
        seen++;
        // places are rounded to 1/1024 pixel: up to half of that times the slope
        expect(Math.abs(made[i] - plane(x, y))).toBeLessThan(0.5 / 1024 * 5 + 1e-3);
      }
      expect(seen).toBeGreaterThan(1000);
    }
    for (const kernel of ["lanczos3", "cubic", "bilinear", "nearest"] as const) {
      for (const value of resample(flat, turn, canvas, { interpolation: kernel }).planes[0].data) {
        expect(Number.isNaN(value) || Math.abs(value - 7) < 1e-5).toBe(true);
      }
    }
  });

  it("keeps the light of a star, and its place but for the tilt of the window", () => {
    const star = (x: number, y: number) => 1000 * Math.exp(-((x - 30.3) ** 2 + (y - 28.8) ** 2) / (2 * 1.5 ** 2));
    const image = imageOf(64, 64, star);
    // Lanczos weights sum to 1 but their mean place is off by up to 0.02 px, a known property; Keys' is exact
    const tilt = (kernel: "lanczos3" | "cubic", phase: number, before: number) =>
      interpolationWeights(kernel, phase).reduce((sum, each, k) => sum + each * (k - before - phase), 0);
    for (const [kernel, before] of [["lanczos3", 2], ["cubic", 1]] as const) {
      const made = resample(image, shift(0.37, -0.61), referenceCanvas(image), { interpolation: kernel, noise: [2] });
      let sum = 0;
      let mx = 0;
      let my = 0;
      made.planes[0].data.forEach((each, i) => {
        if (Number.isNaN(each)) return;
        sum += each;
        mx += each * (i % 64);
        my += each * Math.floor(i / 64);
      });
      expect(Math.abs(sum / (1000 * 2 * Math.PI * 1.5 ** 2) - 1)).toBeLessThan(1e-3);
      // places are rounded to 1/1024 px, and the wings beyond the frame are lost
      expect(Math.abs(mx / sum - 30.67 + tilt(kernel, 0.63, before))).toBeLessThan(1.5e-3);
      expect(Math.abs(my / sum - 28.19 + tilt(kernel, 0.61, before))).toBeLessThan(1.5e-3);
    }
    expect(Math.abs(tilt("cubic", 0.63, 1))).toBeLessThan(1e-12);
    expect(Math.abs(tilt("lanczos3", 0.25, 2))).toBeCloseTo(0.0198, 4);
  });

  it("keeps brightness, or light where pixels change their size", () => {
    const star = (x: number, y: number) => 10 + 500 * Math.exp(-((x - 32) ** 2 + (y - 31) ** 2) / (2 * 3 ** 2));
    const image = imageOf(64, 64, star);
    const double: Transform = { kind: "affine", matrix: [2, 0, 0.5, 0, 2, 0.5, 0, 0, 1] };
    const canvas = { ...referenceCanvas(image), width: 128, height: 128 };
    const sumOf = (made: Image) => made.planes[0].data.reduce((a, b) => a + (Number.isNaN(b) ? 0 : b), 0);
    const bright = resample(image, double, canvas);
    const light = resample(image, double, canvas, { conserve: "flux" });
    expect(bright.planes[0].data[64 * 128 + 10]).toBeCloseTo(10, 3);
    expect(light.planes[0].data[64 * 128 + 10]).toBeCloseTo(2.5, 3);
    expect(sumOf(light) / sumOf(bright)).toBeCloseTo(0.25, 6);
    const bent = { kind: "homography", matrix: [2, 0, 0.5, 0, 2, 0.5, 1e-9, 0, 1] } as const;
    expect(sumOf(resample(image, bent, canvas, { conserve: "flux" })) / sumOf(light)).toBeCloseTo(1, 3);
  });

  it("leaves the noise that the weights predict, and says so in the variance", () => {
    const base = noiseImage(300, 300, 5);
    const image = imageOf(300, 300, (x, y) => base.planes[0].data[y * 300 + x], {
      variance: [new Float32Array(90000).fill(25)],
    });
    const made = resample(image, shift(0.5, 0.25), referenceCanvas(image));
    const inner = [...made.planes[0].data].filter((_, i) => i % 300 > 5 && i % 300 < 295 && i > 1500 && i < 88000);
    const mean = inner.reduce((a, b) => a + b, 0) / inner.length;
    const variance = inner.reduce((a, b) => a + (b - mean) ** 2, 0) / inner.length;
    const predicted = 25 * 0.785769 * 0.893833;
    expect(made.variance![0][150 * 300 + 150]).toBeCloseTo(predicted, 3);
    // scatter of a variance from n samples: √(2/n), twice that for the correlation; four of these
    expect(Math.abs(variance / predicted - 1)).toBeLessThan(4 * 2 * Math.sqrt(2 / inner.length));
  });

  it("knows where there is no data and bridges single gaps", () => {
    const image = imageOf(20, 20, (x, y) => (x === 10 && y === 10 ? NaN : 5));
    const made = resample(image, shift(0.25, 0.25), referenceCanvas(image)).planes[0].data;
    expect(made[10 * 20 + 10]).toBeNaN();
    expect(made[11 * 20 + 11]).toBeCloseTo(5, 5);
    expect(made[0]).toBeNaN();
    expect([...made].filter(Number.isNaN).length).toBe(39 + 1);
  });

  it("holds dark rings and marks them", () => {
    const random = randomStream(9);
    const noise = () => 2 * random.gaussian();
    const edge = (x: number, y: number) => 100 + noise() + ((x - 32) ** 2 + (y - 32) ** 2 < 36 ? 60000 : 0);
    const data = imageOf(64, 64, edge);
    const mask = new Uint8Array(4096);
    mask[32 * 64 + 32] = maskBit.saturated;
    const image = imageOf(64, 64, (x, y) => data.planes[0].data[y * 64 + x], { mask });
    const free = resample(image, shift(0.5, 0.5), referenceCanvas(image), { ringLimit: Infinity });
    const held = resample(image, shift(0.5, 0.5), referenceCanvas(image));
    const least = (each: Image) => each.planes[0].data.reduce((a, b) => (b < a ? b : a), Infinity);
    expect(least(free)).toBeLessThan(-1000);
    expect(least(held)).toBeGreaterThan(100 - 8 - 4 * 2.5);
    let marked = 0;
    held.mask!.forEach((bits, i) => {
      const changed = held.planes[0].data[i] !== free.planes[0].data[i] && !Number.isNaN(held.planes[0].data[i]);
      expect((bits & maskBit.limited) !== 0).toBe(changed);
      if (changed) marked++;
    });
    expect(marked).toBeGreaterThan(20);
    // the saturated sample touches the four pixels round its new place
    expect([32, 33].every((y) => [32, 33].every((x) => (held.mask![y * 64 + x] & maskBit.saturated) !== 0))).toBe(true);
    expect(held.mask![31 * 64 + 31] & maskBit.saturated).toBe(0);
    expect(held.mask![0]).toBe(maskBit.noData);
    // away from the edge nothing is held: noise stays noise
    expect(held.planes[0].data[10 * 64 + 10]).toBe(free.planes[0].data[10 * 64 + 10]);
  });

  it("follows a polynomial map to a hundredth of a pixel", () => {
    const bend = (x: number, y: number) => ({ x: x + 1e-4 * (x - 60) ** 2 + 3, y: y - 5e-5 * (y - 60) * (x - 60) - 2 });
    const pairs = Array.from({ length: 144 }, (_, i) => {
      const source = { x: (i % 12) * 11, y: Math.floor(i / 12) * 11 };
      return { source, reference: bend(source.x, source.y) };
    });
    const { transform } = fitTransform(pairs, {
      model: "polynomial",
      degree: 2,
      sourceSize: { width: 128, height: 128 },
    });
    const wave = (x: number, y: number) => 100 + 20 * Math.sin(x / 9) + 20 * Math.cos(y / 11);
    const image = imageOf(128, 128, wave);
    const made = resample(image, transform, referenceCanvas(image));
    for (const [x, y] of [[20, 20], [64, 64], [100, 30], [30, 100], [90, 90]]) {
      const p = applyTransform(transform, x, y);
      const i = Math.round(p.x);
      const j = Math.round(p.y);
      const slope = 20 / 9;
      const value = made.planes[0].data[j * 128 + i];
      // the source place of the whole pixel, from the first derivatives
      const sx = x + (i - p.x) / (1 + 2e-4 * (x - 60));
      const sy = y + (j - p.y);
      expect(Math.abs(value - wave(sx, sy))).toBeLessThan(0.03 * slope);
    }
  });

  it("carries channels, coverage and sky coordinates of the canvas", () => {
    const wcs: Wcs = {
      ctype: ["RA---TAN", "DEC--TAN"],
      referencePixel: { x: 5, y: 5 },
      referenceDegrees: [10, 20],
      cd: [-1e-3, 0, 0, 1e-3],
    };
    const base = imageOf(32, 32, () => 1, { coverage: new Float32Array(1024).fill(3) });
    const image = createImage({
      ...base,
      planes: ["R", "G", "B"].map((channel) => ({ channel, data: base.planes[0].data })),
    });
    const reference = imageOf(32, 32, () => 1, { geometry: { ...plainGeometry, wcs } });
    const made = resample(image, shift(1, 1), rescaleCanvas(referenceCanvas(reference), 0.5));
    expect(made.planes.map((each) => each.channel)).toEqual(["R", "G", "B"]);
    expect(made.geometry.wcs!.cd[3]).toBeCloseTo(5e-4, 12);
    expect(made.coverage![40 * 64 + 40]).toBe(3);
    expect(made.coverage![0]).toBeNaN();
    expect(made.history.nodes.at(-1)!.step).toBe("resample");
  });

  it("leaves its input as it was and names what is wrong", () => {
    const image = noiseImage(16, 16, 3);
    const before = image.planes[0].data.slice();
    const canvas = referenceCanvas(image);
    resample(image, shift(0.3, 0.3), canvas);
    expect(image.planes[0].data).toEqual(before);
    const mosaic = createImage({ ...image, geometry: { ...plainGeometry, bayer: "RGGB" } });
    expect(() => resample(mosaic, identityTransform, canvas)).toThrow(/must not be a colour mosaic/);
    expect(() => resample(createImage({ ...image, unit: "display" }), identityTransform, canvas)).toThrow(
      /must be linear/,
    );
    expect(() => resample(image, identityTransform, canvas, { ringLimit: 0 })).toThrow(
      "resample: ringLimit must be > 0",
    );
    expect(() => resample(image, identityTransform, canvas, { noise: [] })).toThrow(/one number a plane, but got 0/);
    expect(() => resample(image, { kind: "affine", matrix: [0, 0, 0, 0, 0, 0, 0, 0, 1] }, canvas)).toThrow(
      /must have an inverse/,
    );
  });
});
