import { describe, expect, it } from "vitest";
import { measurePsf } from "../../lib/stars/measure_psf.ts";
import { psfAt, psfRadius } from "../../lib/stars/psf.ts";
import { detectStars } from "../../lib/stars/detect_stars.ts";
import { makeScene, moffat } from "../support/scenes_processing.ts";

describe("measurePsf", () => {
  it.each([54, 55])("follows the true profile where a handful of stars show it, seed %i", (seed) => {
    // So few stars that hardly a sample lies at a centre.
    const fwhm = 4.5;
    const scene = makeScene({ seed, width: 400, height: 300, stars: 9, fwhm, brightest: 2500, faintest: 400 });
    const { data } = scene.image.planes[0];
    const { stars } = detectStars(scene.image);
    // An exponent that is too high, as measured among faint stars: what the stars show corrects it.
    const psf = measurePsf({ data, width: 400, height: 300 }, stars, { fwhm, beta: 3.6, shape: [0, 0] }, scene.sigma);
    expect(psf).not.toBeNull();
    if (psf === null) return;
    for (const r of [0.5, 1, 1.5, 2].map((k) => k * fwhm)) {
      expect(Math.abs(psfAt(psf, r) / moffat(r * r, fwhm) - 1), `at ${r} px`).toBeLessThan(0.1);
    }
  });

  it("goes on as the model does beyond what the stars show, not by the slope near the core", () => {
    const scene = makeScene({ seed: 56, width: 300, height: 200, stars: 8, fwhm: 3, brightest: 120, faintest: 60 });
    const { data } = scene.image.planes[0];
    const { stars } = detectStars(scene.image);
    const psf = measurePsf({ data, width: 300, height: 200 }, stars, { fwhm: 3, beta: 3, shape: [0, 0] }, scene.sigma);
    expect(psf).not.toBeNull();
    if (psf === null) return;
    // By the slope at one and a half widths, r^−3.6, it would be fourteen times as bright at seven widths.
    const far = psfAt(psf, 20) / moffat(400, 3);
    expect(far).toBeGreaterThan(0.3);
    expect(far).toBeLessThan(5);
    expect(psfRadius(psf, 0.5, 50)).toBeCloseTo(1.5, 0);
  });
});
