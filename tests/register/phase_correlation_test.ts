/** Covers correlate.ts, prepare_spectrum.ts and fourier.ts. */
import { describe, expect, it } from "vitest";
import { readFileSync } from "node:fs";
import { createImage, type Image } from "../../lib/core/image.ts";
import { type RandomStream, randomStream } from "../../lib/core/random.ts";
import { applyTransform } from "../../lib/core/transform.ts";
import { type ComplexPlane, transformPlane } from "../../lib/register/fourier.ts";
import { correlateFrames, phaseCorrelate, phaseCorrelateDefaults } from "../../lib/register/phase_correlation.ts";

const imageOf = (width: number, height: number, data: ArrayLike<number>): Image =>
  createImage({ width, height, unit: "adu", planes: [{ channel: "L", data: Float32Array.from(data) }] });

/** Normal deviates of the minimal standard generator (Park & Miller 1988) by pairs (Box & Muller 1958). */
function parkMillerGauss(count: number, seed: number): number[] {
  let state = seed;
  const next = () => (state = 16807 * state % 2147483647) / 2147483647;
  const out: number[] = [];
  while (out.length < count) {
    const a = next();
    const b = next();
    const r = Math.sqrt(-2 * Math.log(a));
    out.push(r * Math.cos(2 * Math.PI * b), r * Math.sin(2 * Math.PI * b));
  }
  return out;
}

/** A field of stars on a rough sky; the pattern (hot pixels, banding) belongs to the sensor and does not move. */
function field(
  random: RandomStream,
  dx: number,
  dy: number,
  stars: readonly number[][],
  pattern: boolean,
  noise: number,
) {
  const width = 200;
  const height = 160;
  const hot = randomStream("sensor");
  const data = Float64Array.from({ length: width * height }, () => 500 + noise * random.gaussian());
  for (const [x, y, light] of stars) {
    for (let j = Math.max(0, Math.floor(y + dy) - 7); j < Math.min(height, y + dy + 8); j++) {
      for (let i = Math.max(0, Math.floor(x + dx) - 7); i < Math.min(width, x + dx + 8); i++) {
        data[j * width + i] += light * Math.exp(-((i - x - dx) ** 2 + (j - y - dy) ** 2) / 4);
      }
    }
  }
  if (pattern) {
    const rows = Array.from({ length: height }, () => 6 * hot.gaussian());
    for (let i = 0; i < data.length; i++) data[i] += rows[Math.floor(i / width)];
    for (let k = 0; k < 150; k++) data[Math.floor(hot.uniform() * data.length)] += 400 * hot.uniform();
  }
  return imageOf(width, height, data);
}
const scene = (seed: number, count: number, light: number) => {
  const random = randomStream(seed);
  return Array.from(
    { length: count },
    () => [220 * random.uniform() - 10, 180 * random.uniform() - 10, light * random.uniform()],
  );
};

describe("phaseCorrelate", () => {
  // scikit-image's phase_cross_correlation, upsampling 100 (Guizar-Sicairos et al. 2008), on 64 × 64 smoothed noise
  it("agrees with scikit-image on a Fourier-shifted scene", () => {
    const stored = JSON.parse(readFileSync(new URL("../../fixtures/register/phase.json", import.meta.url), "utf8"));
    const n = 64;
    const plane: ComplexPlane = {
      width: n,
      height: n,
      re: Float64Array.from(parkMillerGauss(n * n, 5)),
      im: new Float64Array(n * n),
    };
    const frequency = (k: number) => (k <= n / 2 ? k : k - n) / n;
    // scipy's Gaussian filter is cut at four sigma and sampled; its transform is the same sum
    const taps = Array.from({ length: 17 }, (_, i) => Math.exp(-((i - 8) ** 2) / 8));
    const total = taps.reduce((a, b) => a + b, 0);
    const response = (k: number) =>
      taps.reduce((a, b, i) => a + b / total * Math.cos(2 * Math.PI * frequency(k) * (i - 8)), 0);
    transformPlane(plane, false);
    const [shiftRow, shiftColumn] = stored.appliedRowColumn;
    const moved: ComplexPlane = { ...plane, re: new Float64Array(n * n), im: new Float64Array(n * n) };
    for (let l = 0, at = 0; l < n; l++) {
      for (let k = 0; k < n; k++, at++) {
        const gain = response(k) * response(l);
        const phase = -2 * Math.PI * (frequency(l) * shiftRow + frequency(k) * shiftColumn);
        plane.re[at] *= gain;
        plane.im[at] *= gain;
        moved.re[at] = plane.re[at] * Math.cos(phase) - plane.im[at] * Math.sin(phase);
        moved.im[at] = plane.re[at] * Math.sin(phase) + plane.im[at] * Math.cos(phase);
      }
    }
    transformPlane(plane, true);
    transformPlane(moved, true);
    const { shift } = correlateFrames(
      imageOf(n, n, moved.re),
      imageOf(n, n, plane.re),
      { ...phaseCorrelateDefaults, smoothingPixels: 0 },
      { window: "none", whiten: true, removePattern: false },
    );
    // both search on a grid of 1/100 px round the same peak
    expect(Math.abs(shift.y - stored.shiftRowColumn[0])).toBeLessThan(0.0101);
    expect(Math.abs(shift.x - stored.shiftRowColumn[1])).toBeLessThan(0.0101);
    expect(Math.abs(shift.y + shiftRow)).toBeLessThan(0.0151);
    expect(Math.abs(shift.x + shiftColumn)).toBeLessThan(0.0151);
  });

  it("finds the shift of faint stars", () => {
    for (const [seed, dx, dy] of [[1, 7.3, -4.6], [2, -25.5, 12.2], [3, 0.4, 0.3]]) {
      const random = randomStream(seed);
      const stars = scene(seed, 60, 60);
      const found = phaseCorrelate(field(random, dx, dy, stars, false, 8), field(random, 0, 0, stars, false, 8));
      expect(found.trusted).toBe(true);
      // 60 stars of a few sigma each: some tenths of a pixel together
      expect(Math.hypot(found.shift.x + dx, found.shift.y + dy)).toBeLessThan(0.4);
    }
  });

  it("follows the sky, not banding and hot pixels", () => {
    const random = randomStream(4);
    const stars = scene(4, 80, 80);
    const found = phaseCorrelate(field(random, 11.2, -5.4, stars, true, 8), field(random, 0, 0, stars, true, 8));
    expect(found.trusted).toBe(true);
    expect(found.standing).toBe(false);
    expect(Math.hypot(found.shift.x + 11.2, found.shift.y - 5.4)).toBeLessThan(0.4);
  });

  it("does not take the one bright thing in a frame for a star: a cosmic ray of a capped frame", () => {
    const random = randomStream(7);
    const stars = [[70, 60, 40_000], ...scene(3, 30, 60)];
    const sky = field(randomStream(8), 0, 0, stars, false, 5);
    const capped = field(random, 0, 0, [], false, 5);
    const data = capped.planes[0].data.slice();
    for (const at of [0, 1, 201, 202, 402]) data[90 * 200 + 110 + at] += 900;
    expect(phaseCorrelate(imageOf(200, 160, data), sky).trusted).toBe(false);
  });
  it("says when there is nothing to go by", () => {
    for (const seed of [5, 6, 7, 8]) {
      const random = randomStream(seed);
      const found = phaseCorrelate(field(random, 0, 0, [], false, 8), field(random, 0, 0, [], false, 8));
      expect(found.trusted).toBe(false);
      expect(found.notes.join()).toMatch(/chance alone reaches/);
    }
  });

  it("finds a frame that lies upside down, and bins large ones", () => {
    const random = randomStream(9);
    const stars = scene(9, 60, 100);
    const upright = field(random, 0, 0, stars, false, 6);
    const source = field(random, 4, 9, stars, false, 6);
    const turned = imageOf(200, 160, source.planes[0].data.slice().reverse());
    for (const maximumSide of [1024, 100]) {
      const found = phaseCorrelate(turned, upright, { flip: true, maximumSide });
      expect(found.flipped).toBe(true);
      // star at (50, 60) of the reference lay at (54, 69), and at (199 − 54, 159 − 69) after the turn
      const p = applyTransform(found.transform, 145, 90);
      expect(Math.hypot(p.x - 50, p.y - 60)).toBeLessThan(0.5);
    }
  });

  it("names what is wrong", () => {
    const small = imageOf(16, 16, new Float32Array(256));
    const wide = imageOf(32, 16, new Float32Array(512));
    expect(() => phaseCorrelate(small, wide)).toThrow(/must have one size/);
    expect(() => phaseCorrelate(small, small, { upsampling: 0 })).toThrow(/upsampling must be a whole number from 1/);
    expect(() => phaseCorrelate(small, small, { smoothingPixels: NaN })).toThrow(/smoothingPixels must be ≥ 0/);
  });
});

describe("transformPlane", () => {
  it("gives the sums of the definition and comes back", () => {
    const random = randomStream(1);
    const width = 8;
    const height = 4;
    const plane: ComplexPlane = {
      width,
      height,
      re: Float64Array.from({ length: 32 }, () => random.gaussian()),
      im: Float64Array.from({ length: 32 }, () => random.gaussian()),
    };
    const re = plane.re.slice();
    const im = plane.im.slice();
    transformPlane(plane, false);
    for (const [k, l] of [[0, 0], [3, 1], [5, 2], [7, 3]]) {
      let a = 0;
      let b = 0;
      for (let y = 0; y < height; y++) {
        for (let x = 0; x < width; x++) {
          const phase = -2 * Math.PI * (k * x / width + l * y / height);
          const at = y * width + x;
          a += re[at] * Math.cos(phase) - im[at] * Math.sin(phase);
          b += re[at] * Math.sin(phase) + im[at] * Math.cos(phase);
        }
      }
      expect(plane.re[l * width + k]).toBeCloseTo(a, 10);
      expect(plane.im[l * width + k]).toBeCloseTo(b, 10);
    }
    transformPlane(plane, true);
    re.forEach((each, i) => expect(plane.re[i]).toBeCloseTo(each, 12));
  });
});
