/** Covers core/sampling.ts. */
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { plainGeometry } from "../../lib/doors/geometry.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { constantImage, measureCalibration, measureNoise, measurePairNoise } from "../../lib/mod.ts";
import { gauss } from "../support/numbers.ts";
import { lattice, renderScene } from "../support/scenes.ts";

const image = (data: Float32Array, width: number, bayer: "RGGB" | null = null) =>
  createImage({
    width,
    height: data.length / width,
    unit: "adu",
    planes: [{ channel: bayer === null ? "L" : "mosaic", data }],
    geometry: { ...plainGeometry, bayer },
  });

describe("measureNoise", () => {
  const z = gauss(4096, 7);
  const ramp = image(Float32Array.from(z, (v, i) => 100 + 0.5 * (i % 64) - 0.25 * Math.floor(i / 64) + 3 * v), 64);
  it("agrees with scipy on a noisy plane: 3 × 3 operator and first starlet scale (Immerkær 1996; Starck & Murtagh 1998)", () => {
    const report = measureNoise(ramp);
    // float32 samples hold 100 to 4e-6: that is what the sixth digit allows
    expect(Math.abs(report.meanModulus - 3.0398874)).toBeLessThan(5e-6);
    expect(Math.abs(report.secondDifference - 3.0292713)).toBeLessThan(5e-6);
    expect(Math.abs(report.firstScale - 3.0016027)).toBeLessThan(5e-6);
  });
  it("finds the noise that was put in, within what 4096 samples allow", () => {
    // relative error of a standard deviation: 1/√(2n) = 1.1 %, some more for what the smooth plane takes
    expect(Math.abs(measureNoise(ramp).noise / 3.0173707 - 1)).toBeLessThan(0.025);
  });
  it("is not moved by stars and a gradient", () => {
    const scene = renderScene({
      width: 256,
      height: 256,
      stars: lattice(256, 256, 40, 2000, 200000, 1),
      noise: 10,
      sky: (x) => 500 + 0.5 * x,
    });
    const report = measureNoise(scene);
    expect(Math.abs(report.noise / 10 - 1)).toBeLessThan(0.03);
    expect(report.freeShare).toBeLessThan(0.97);
    expect(report.meanModulus).toBeGreaterThan(10.5);
  });
  it("leaves missing samples out", () => {
    const holes = Float32Array.from(ramp.planes[0].data, (v, i) => i % 97 === 0 ? NaN : v);
    expect(Math.abs(measureNoise(image(holes, 64)).noise / 3.0173707 - 1)).toBeLessThan(0.05);
  });
  it("measures a mosaic on one green phase, whatever the colours' levels", () => {
    const mosaic = Float32Array.from(z, (v, i) => {
      const green = ((i % 64) + Math.floor(i / 64)) % 2 === 1;
      return (green ? 100 : 900) + 3 * v;
    });
    expect(Math.abs(measureNoise(image(mosaic, 64, "RGGB")).noise / 3 - 1)).toBeLessThan(0.06);
  });
  it("takes the noise of one frame from two, whatever they show", () => {
    const stars = lattice(128, 128, 40, 2000, 200000, 1);
    const pair = [1, 2].map((seed) => renderScene({ width: 128, height: 128, stars, seed, noise: 10 }));
    expect(Math.abs(measurePairNoise(pair[0], pair[1]) / 10 - 1)).toBeLessThan(0.03);
    expect(() => measurePairNoise(pair[0], constantImage(3, 3, 1))).toThrow("images must have one size");
  });
  it.each([0.5, 0.7, 1.04, 1.6])(
    "is not misled by the whole steps a sensor counts in, at a noise of %s ADU",
    (sigma) => {
      const random = randomStream(`steps ${sigma}`);
      const frame = () =>
        image(Float32Array.from({ length: 128 * 128 }, () => Math.round(300 + sigma * random.gaussian())), 128);
      // Rounding to whole steps adds a variance of 1/12 as long as the noise is half a step or more (Widrow & Kollár
      // 2008, Quantization Noise, chapter 1; from memory).
      const expected = Math.sqrt(sigma ** 2 + 1 / 12);
      const [first, second] = [frame(), frame()];
      expect(Math.abs(measurePairNoise(first, second) / expected - 1)).toBeLessThan(0.03);
      expect(Math.abs(measureCalibration(first).noise / expected - 1)).toBeLessThan(0.03);
    },
  );
  it("refuses what it cannot do", () => {
    expect(() => measureNoise(constantImage(2, 2, 1))).toThrow(
      "measureNoise: image must be at least 3 × 3, but got 2 × 2",
    );
    expect(() => measureNoise(ramp, { scales: 9 })).toThrow("scales must be a whole number from 1 to 4, but got 9");
    expect(() => measureNoise(constantImage(8, 8, 1, { unit: "display" }))).toThrow("image must be linear");
  });
});
