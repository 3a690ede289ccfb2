/** Numbers that theory gives for measurements of stars and noise. */
import { describe, expect, it } from "vitest";
import { detectStars } from "../../lib/mod.ts";
import { starlet, starletGains } from "../../lib/measure/starlet.ts";
import { matchTruth, noiseArea, renderScene, testProfile } from "../support/scenes.ts";

describe("the starlet transform", () => {
  it("gives white noise of 1 the scatter of its kernels' norms (Starck & Murtagh: .890 .201 .086 .041)", () => {
    const width = 129, data = new Float32Array(width * width);
    data[64 * width + 64] = 1;
    const { scales } = starlet(data, width, width, 4);
    scales.forEach((plane, j) => {
      expect(Math.abs(Math.sqrt(plane.reduce((sum, v) => sum + v * v, 0)) - starletGains[j])).toBeLessThan(2e-6);
    });
    for (const [j, published] of [0.89, 0.201, 0.086, 0.041].entries()) {
      expect(Math.abs(starletGains[j] - published)).toBeLessThan(0.001);
    }
  });
});

describe("round Gaussian stars of SNR 60 in white noise", () => {
  const profile = { ...testProfile, fwhm: 4.7, beta: Infinity }, noise = 10, snr = 60;
  const flux = snr * noise * Math.sqrt(noiseArea(profile)), stars = [];
  // many places on the pixels: steps that share no factor with them
  for (let y = 20; y < 620; y += 42.37) for (let x = 20; x < 620; x += 42.37) stars.push({ x, y, flux });
  const list = detectStars(renderScene({ width: 640, height: 640, stars, profile, noise })), found = list.stars;
  const { pairs, missed } = matchTruth(stars, found, 2), n = pairs.length;
  const scatter = (values: readonly number[]) => Math.sqrt(values.reduce((sum, v) => sum + v * v, 0) / values.length);
  it("are all found, with the signal-to-noise ratio of a matched filter: F / (√(4π) s σ)", () => {
    expect(missed.length).toBe(0);
    const mean = pairs.reduce((sum, { found: { snr: each } }) => sum + each, 0) / n;
    // in units of the noise that was found, which stars in a twentieth of the samples lift
    expect(Math.abs(list.noise / noise - 1)).toBeLessThan(0.05);
    expect(Math.abs(mean * list.noise / (noise * snr) - 1)).toBeLessThan(0.02);
  });
  it("have shapes that scatter by 2 / SNR (Bernstein & Jarvis 2002), a tenth more for what the sky is not known", () => {
    for (const k of [0, 1]) {
      const ratio = scatter(pairs.map((pair) => pair.found.shape[k])) * snr / 2;
      expect(ratio).toBeGreaterThan(0.85);
      expect(ratio).toBeLessThan(1.2);
    }
  });
  it("have places near the limit that the sky sets: √(8π) s² σ / F an axis (King 1983)", () => {
    // s with the pixel's own 1/12
    const s2 = (4.7 / 2.3548200450309493) ** 2 + 1 / 12, limit = Math.sqrt(8 * Math.PI) * s2 * noise / flux;
    for (const axis of ["x", "y"] as const) {
      const ratio = scatter(pairs.map(({ truth, found: star }) => star[axis] - truth[axis])) / limit;
      expect(ratio).toBeGreaterThan(0.85);
      expect(ratio).toBeLessThan(1.25);
    }
  });
});
