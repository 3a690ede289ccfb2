/**
 * The figures this room promises, on seeds that nothing was tuned on; tests/bench/measure_accuracy.ts prints them for
 * many more.
 */
import { describe, expect, it } from "vitest";
import { lanternScene, longRig, resizeRig, simulateFrame } from "../../lib/doors/simulate.ts";
import { madSigma, median } from "../../lib/doors/stats.ts";
import { detectStars, type Image, measureFrame } from "../../lib/mod.ts";
import { effectiveFwhm, fieldErrors, fieldKinds, type FrameErrors, frameErrors } from "../support/measure_accuracy.ts";
import { lattice, matchTruth, noiseArea, renderScene, testProfile } from "../support/scenes.ts";

describe.each([["Long, mono", false], ["Pocket, mosaic", true]] as const)(
  "measureFrame on simulated frames: %s",
  (_name, colour) => {
    const frames: FrameErrors[] = [901, 902, 903, 904, 905, 906].map((seed) => frameErrors(seed, colour));
    it("finds the width within 2 % bias and 3 % scatter of the effective truth", () => {
      const widths = frames.map((each) => each.fwhm);
      expect(Math.abs(median(widths) - 1)).toBeLessThan(0.02);
      expect(madSigma(widths)).toBeLessThan(0.03);
    });
    it("finds eccentricity within 0.05 from 0.4 on, and its direction", () => {
      const long = frames.filter((each) => each.eccentricity[0] > 0.4);
      expect(long.length).toBeGreaterThan(1);
      for (const { eccentricity: [truth, found], direction } of long) {
        expect(Math.abs(found - truth)).toBeLessThan(0.05);
        // the shape of one star is known to 2 / SNR; sixty of SNR 25 and e = 0.4 leave 3°, three times that is the
        // limit
        expect(direction).toBeLessThan(colour ? 9 : 3);
      }
    });
    it("finds the sky within 0.5 ADU + 0.2 %", () => {
      for (const { background: [truth, found] } of frames) {
        expect(Math.abs(found - truth)).toBeLessThan(0.5 + 0.002 * truth);
      }
    });
    it("finds the transparency within 2 %, typically; the worst of a few within 4 %", () => {
      const off = frames.map(({ transparency: [truth, found] }) => Math.abs(found / truth - 1));
      expect(median(off)).toBeLessThan(0.02);
      expect(Math.max(...off)).toBeLessThan(0.04);
    });
  },
);

describe("detectStars on isolated stars at random places, borders included", () => {
  it.each(fieldKinds)(
    "%s: 95 % complete from true SNR 7, 98 % pure",
    (kind) => {
      // a small field holds 41 stars: ten of them, so that one false star is not two per cent
      const seeds = Array.from({ length: kind === "small nebula" ? 10 : 2 }, (_, k) => 901 + k);
      const fields = seeds.map((seed) => fieldErrors(seed, kind));
      const sum = (of: (each: typeof fields[number]) => number) => fields.reduce((total, each) => total + of(each), 0);
      expect(sum((e) => e.found) / sum((e) => e.due)).toBeGreaterThan(0.95);
      expect(1 - sum((e) => e.false) / sum((e) => e.listed)).toBeGreaterThan(0.98);
    },
  );
  it.each([[2, 15.5], [3, 15.5], [3, 31.5], [4, 15]])(
    "FWHM %f: misses none of a lattice of period 32 from %f",
    (fwhm, from) => {
      const profile = { ...testProfile, fwhm };
      const stars = [];
      const flux = 200 * Math.sqrt(noiseArea(profile));
      for (let y = from; y < 384; y += 32) for (let x = from; x < 512; x += 32) stars.push({ x, y, flux });
      const { missed, extra } = matchTruth(stars, detectStars(renderScene({ stars, profile })).stars, 1.5);
      expect([missed.length, extra.length]).toEqual([0, 0]);
    },
  );
  it.each([0, 1, 2, 3])("finds and places stars %i pixels from the border", (distance) => {
    const flux = 400 * Math.sqrt(noiseArea(testProfile));
    const inside = lattice(512, 384, 60, flux, flux, 3);
    const stars = inside.filter(({ x, y }) => Math.min(x, y, 511 - x, 383 - y) > 30);
    const count = stars.length;
    for (let t = 20; t < 364; t += 24) {
      stars.push({ x: distance, y: t, flux }, { x: 511 - distance, y: t + 0.4, flux });
      if (t > 40) stars.push({ x: t + 0.3, y: distance, flux }, { x: t, y: 383 - distance, flux });
    }
    const { pairs, missed } = matchTruth(stars.slice(count), detectStars(renderScene({ stars })).stars, 1.5);
    expect(missed.length).toBe(0);
    // nearer than two pixels less than half of a star's core is left to tell its place across the border
    const off = median(pairs.map(({ truth, found }) => Math.hypot(truth.x - found.x, truth.y - found.y)));
    expect(off).toBeLessThan(distance < 2 ? 0.4 : 0.15);
    // light by what of the star lies in the frame
    expect(Math.abs(median(pairs.map(({ truth, found }) => found.flux / truth.flux)) - 1)).toBeLessThan(0.15);
  });
});

describe("measureFrame on stars that coarse pixels and nebulae make hard", () => {
  it.each(["RGGB", "GBRG"] as const)("takes round stars of FWHM 2.4 on a %s mosaic for round", (bayer) => {
    const profile = { ...testProfile, fwhm: 2.4 };
    const unit = 14 * Math.sqrt(noiseArea(profile));
    for (const seed of [901, 902, 903]) {
      const stars = lattice(640, 480, 30, 20 * unit, 400 * unit, seed);
      const { eccentricity } = measureFrame(renderScene({ width: 640, height: 480, stars, profile, bayer, seed }));
      expect(eccentricity).toBeLessThan(0.15);
    }
  });
  it.each([1.5])(
    "measures round stars of FWHM %f on a mosaic: round, of the right width, in place, light alike wherever they fell",
    (fwhm) => {
      const profile = { ...testProfile, fwhm };
      const unit = 14 * Math.sqrt(noiseArea(profile));
      for (const seed of [904, 905]) {
        const stars = lattice(640, 480, 30, 20 * unit, 400 * unit, seed);
        const image = renderScene({ width: 640, height: 480, stars, profile, bayer: "RGGB", seed });
        const { eccentricity, fwhmPixels, stars: found } = measureFrame(image);
        expect(eccentricity).toBeLessThan(0.15);
        expect(Math.abs(fwhmPixels / effectiveFwhm(profile) - 1)).toBeLessThan(0.03);
        const { pairs } = matchTruth(stars, found, 2);
        expect(pairs.length).toBeGreaterThan(0.98 * stars.length);
        const bright = pairs.filter(({ truth }) => truth.flux > 60 * unit);
        expect(median(bright.map(({ truth, found: at }) => Math.hypot(truth.x - at.x, truth.y - at.y)))).toBeLessThan(
          0.02,
        );
        expect(bright.filter(({ found: at }) => at.eccentricity > 0.3).length).toBeLessThan(0.1 * bright.length);
        const ratios = bright.map(({ truth, found: at }) => at.flux / truth.flux);
        expect(madSigma(ratios) / median(ratios)).toBeLessThan(0.015);
      }
    },
  );
  it.each([3])(
    "takes round stars of SNR 20 and FWHM %f on a mosaic for round: 19 of 20 each by itself",
    (fwhm) => {
      const profile = { ...testProfile, fwhm };
      const unit = 14 * Math.sqrt(noiseArea(profile));
      const stars = lattice(640, 480, 24, 20 * unit, 20 * unit, 907);
      const measured = (seed: number) =>
        measureFrame(renderScene({ width: 640, height: 480, stars, profile, bayer: "GRBG", seed }));
      const { eccentricity, stars: found } = measured(907);
      expect(eccentricity).toBeLessThan(0.2);
      // faint stars: one frame's median width scatters by 2 %, the mean of six by less than 1 %
      const widths = [907, 1, 2, 3, 4, 5].map((seed) => measured(seed).fwhmPixels / effectiveFwhm(profile) - 1);
      expect(Math.abs(widths.reduce((sum, each) => sum + each, 0) / 6)).toBeLessThan(0.03);
      const { pairs } = matchTruth(stars, found, 2);
      expect(pairs.length).toBeGreaterThan(0.95 * stars.length);
      expect(pairs.filter(({ found: at }) => at.eccentricity > 0).length).toBeLessThan(0.1 * pairs.length);
    },
  );
  it("is not misled about the stars' width by a nebula that fills a small field: [O III] light of the Lantern Nebula", () => {
    const rig = resizeRig(longRig, { width: 300, height: 224 });
    const scene = lanternScene({ stepArcsec: 5 });
    const measure = (image: Image) => measureFrame(image, { fullScaleAdu: 16383 });
    for (const seed of ["a", "b", "c"]) {
      const { image, truth } = simulateFrame(rig, scene, { seed, filter: "OIII", exposureSeconds: 300 });
      // the pixel adds 8 % to stars of 2.3 pixels
      const ratio = measure(image).fwhmPixels / truth.effectiveFwhmPixels;
      expect(ratio).toBeGreaterThan(1);
      expect(ratio).toBeLessThan(1.2);
    }
  });
});
