/**
 * `detectStars` on drawn and real frames, and with it the phases of the search. Covers search_stars.ts, sky_mesh.ts,
 * background_mesh.ts, search_field.ts, search_grid.ts, candidate.ts, candidate_peaks.ts, single_pixels.ts,
 * flat_top.ts, typical_shape.ts, search_binning.ts, ring_levels.ts, moment_list.ts, centre_candidates.ts,
 * candidate_shapes.ts, accept_stars.ts, star_cells.ts, stars_from_search.ts, frame_profile.ts, half_flux_radius.ts,
 * shape_prior.ts, undersampled_stars.ts and fit_star.ts.
 */
import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { madSigma, median } from "../../lib/doors/stats.ts";
import { constantImage, detectStars, readFits, type Star } from "../../lib/mod.ts";
import { effectiveFwhm } from "../support/measure_accuracy.ts";
import { missingFrame, realFrame } from "../support/real_frames.ts";
import {
  drift,
  lattice,
  matchTruth,
  noiseArea,
  renderScene,
  type TestProfile,
  testProfile,
  type TestScene,
} from "../support/scenes.ts";

function field(profile: TestProfile, parts: Partial<TestScene> = {}, seed = 5, pitch = 40, high = 800) {
  const area = noiseArea(profile);
  const unit = 10 * Math.sqrt(area);
  const width = 640;
  const height = 480;
  const stars = lattice(width, height, pitch, 5 * unit, high * unit, seed);
  const list = detectStars(renderScene({ width, height, stars, profile, seed, ...parts }));
  const match = matchTruth(stars, list.stars, 3);
  return { ...match, list, stars, unit, bright: match.pairs.filter((pair) => pair.truth.flux > 60 * unit) };
}

describe("detectStars on stars of known place, light and shape", () => {
  const cases: [string, TestProfile, Partial<TestScene>, number][] = [
    ["FWHM 3", testProfile, {}, 0.02],
    ["FWHM 1.6, undersampled", { ...testProfile, fwhm: 1.6 }, {}, 0.03],
    ["FWHM 5", { ...testProfile, fwhm: 5 }, {}, 0.02],
    ["a Gaussian", { ...testProfile, beta: Infinity }, {}, 0.02],
    ["green pixels of a mosaic, FWHM 3", testProfile, { bayer: "RGGB" }, 0.02],
    // half of the pixels, each a fifth of the star: the profile itself is coarse
    ["green pixels of a mosaic, FWHM 2.4", { ...testProfile, fwhm: 2.4 }, { bayer: "GBRG" }, 0.04],
  ];
  it.each(cases)("%s: complete, pure, in place, of the right width and round", (_name, profile, parts, widthLimit) => {
    const { pairs, missed, extra, list, unit, bright, stars } = field(profile, parts);
    const factor = parts.bayer ? Math.SQRT2 : 1;
    const due = stars.filter((star) => star.flux >= 7 * unit * factor);
    expect(missed.filter((star) => star.flux >= 7 * unit * factor).length).toBeLessThanOrEqual(0.05 * due.length);
    expect(extra.length).toBeLessThanOrEqual(0.02 * list.stars.length);
    expect(Math.abs(list.fwhmPixels / effectiveFwhm(profile) - 1)).toBeLessThan(widthLimit);
    // the sky-limited bound √(8π) s² σ/F (King 1983) at SNR 60 is 2 s / SNR · … ≈ 0.02 s
    expect(median(bright.map(({ truth, found }) => Math.hypot(truth.x - found.x, truth.y - found.y)))).toBeLessThan(
      0.03,
    );
    expect(median(bright.map(({ found }) => found.eccentricity))).toBeLessThan(0.15);
    const ratios = pairs.map(({ truth, found }) => found.flux / truth.flux);
    // light is what lies within 2 FWHM: 0.95 … 1 of all
    expect(median(ratios)).toBeGreaterThan(0.93);
    expect(median(ratios)).toBeLessThan(1.04);
    expect(madSigma(bright.map(({ truth, found }) => found.flux / truth.flux))).toBeLessThan(0.03);
  });
  it("measures elongation and its direction, and the trail of a drift", () => {
    const long = field({ ...testProfile, axisRatio: 1.25, degrees: 30 });
    // e of an axis ratio of 1.25 with the pixel's 1/12 px² in both axes
    const b2 = (3 / 2.3548) ** 2;
    const e = Math.sqrt(1 - (b2 + 1 / 12) / (b2 * 1.25 ** 2 + 1 / 12));
    expect(Math.abs(median(long.bright.map(({ found }) => found.eccentricity)) - e)).toBeLessThan(0.03);
    expect(Math.abs(median(long.bright.map(({ found }) => found.elongationDegrees)) - 30)).toBeLessThan(2);
    const drifted = field({ ...testProfile, path: drift(6, 120) });
    expect(Math.abs(median(drifted.bright.map(({ found }) => found.elongationDegrees)) - 120)).toBeLessThan(1.5);
    // a² = s² + L²/12 with the moments of the core
    const s2 = b2 + 1 / 12;
    const expected = Math.sqrt(1 - s2 / (s2 + 3));
    expect(Math.abs(median(drifted.bright.map(({ found }) => found.eccentricity)) - expected)).toBeLessThan(0.05);
  });
  it("does not read noise as elongation: a round star at SNR 20 is round in 19 of 20", () => {
    const { pairs } = field(testProfile, {}, 9, 30, 30);
    const some = pairs.filter(({ found }) => found.snr > 15 && found.snr < 30);
    expect(some.length).toBeGreaterThan(30);
    expect(median(some.map(({ found }) => found.eccentricity))).toBe(0);
    expect(some.filter(({ found }) => found.eccentricity > 0.3).length).toBeLessThan(0.12 * some.length);
  });
  it("follows stars that defocus has made into rings", () => {
    const { missed, extra, unit, list, bright } = field({ ...testProfile, ring: { outer: 8, inner: 4 } }, {}, 5, 80);
    expect(missed.filter((star) => star.flux > 10 * unit).length).toBeLessThanOrEqual(1);
    expect(extra.length).toBeLessThanOrEqual(1);
    expect(list.fwhmPixels).toBeGreaterThan(12);
    expect(median(bright.map(({ truth, found }) => Math.hypot(truth.x - found.x, truth.y - found.y)))).toBeLessThan(
      0.15,
    );
  });
  it("measures r50 of a Gaussian as half its width (r50 = 1.17741 s)", () => {
    const { bright } = field({ ...testProfile, beta: Infinity });
    const wide = (3.0755 / 2) * 1;
    expect(Math.abs(median(bright.map(({ found }) => found.halfFluxRadiusPixels)) / wide - 1)).toBeLessThan(0.04);
  });
  it("keeps 95 % of the stars of true SNR 7, and lists at most 2 % that are none, on a crowded nebula with gradient and hot pixels", () => {
    const area = noiseArea(testProfile);
    const unit = 10 * Math.sqrt(area);
    const width = 640;
    const height = 480;
    const stars = lattice(width, height, 26, 7 * unit, 200 * unit, 4);
    const hot = Array.from(
      { length: 200 },
      (_, i) => ({ x: (i * 97) % 638 + 1, y: (i * 61) % 478 + 1, add: 60 + i * 12 }),
    );
    const sky = (x: number, y: number) =>
      500 + 0.1 * x + 150 * Math.exp(-((x - 300) ** 2 + (y - 240) ** 2) / (2 * 60 ** 2));
    const { stars: found, turnedDown } = detectStars(renderScene({ width, height, stars, sky, hot }));
    const { missed, extra } = matchTruth(stars, found, 3);
    expect(missed.length).toBeLessThanOrEqual(0.05 * stars.length);
    expect(extra.length).toBeLessThanOrEqual(0.02 * found.length);
    expect(turnedDown.singlePixel).toBeGreaterThan(50);
  });
  it("parts a close pair", () => {
    const stars = [
      { x: 100, y: 100, flux: 40000 },
      { x: 107.5, y: 101, flux: 30000 },
      ...lattice(512, 384, 60, 9000, 30000, 1)
        .filter((star) => Math.hypot(star.x - 103, star.y - 100) > 30),
    ];
    const { stars: found } = detectStars(renderScene({ stars }));
    expect(matchTruth(stars.slice(0, 2), found, 0.5).missed.length).toBe(0);
  });
  it("marks what is saturated, by level and by a flat top", () => {
    const stars = lattice(512, 384, 60, 9000, 30000, 1).concat({ x: 250, y: 190, flux: 4e6 });
    const image = renderScene({ stars: stars.filter((s) => s.x === 250 || Math.hypot(s.x - 250, s.y - 190) > 25) });
    const cut = createImage({
      ...image,
      planes: [{ channel: "L", data: image.planes[0].data.map((v) => Math.min(v, 60000)) }],
    });
    for (const options of [{}, { saturationLevel: 59000 }]) {
      const { stars: found } = detectStars(cut, options);
      expect(found.filter((star) => star.saturated).length).toBe(1);
      expect(found[0].saturated).toBe(true);
    }
  });
  it("gives the same for a frame with missing rows, away from them, and nothing for an empty one", () => {
    const stars = lattice(512, 384, 40, 9000, 90000, 1);
    const image = renderScene({ stars });
    const data = image.planes[0].data.map((v, i) => i < 512 * 80 ? NaN : v);
    const part = detectStars(createImage({ ...image, planes: [{ channel: "L", data }] }));
    const lower = stars.filter((star) => star.y > 95);
    expect(matchTruth(lower, part.stars, 1).missed.length).toBe(0);
    expect(part.stars.every((star) => star.y > 75)).toBe(true);
    expect(detectStars(constantImage(200, 100, 5)).stars).toEqual([]);
    expect(detectStars(constantImage(1, 1, 5)).stars).toEqual([]);
    expect(() => detectStars(constantImage(40, 3, NaN))).toThrow("must hold at least one number");
  });
  it("leaves the input untouched and refuses what it cannot use", () => {
    const image = renderScene({ stars: lattice(512, 384, 60, 9000, 30000, 1) });
    const before = image.planes[0].data.slice();
    detectStars(image);
    expect(image.planes[0].data).toEqual(before);
    expect(() => detectStars(image, { detectionSigma: 0 })).toThrow("detectionSigma must be > 0, but got 0");
    expect(() => detectStars(image, { maximumStars: 0 })).toThrow("maximumStars must be ≥ 1, but got 0");
    expect(() => detectStars(constantImage(8, 8, 1, { unit: "display" }))).toThrow("image must be linear");
    expect(() => detectStars(image, { sigma: 3 } as object)).toThrow('unknown option "sigma"');
  });
});

describe.skipIf(missingFrame("stars-sep-reference/image.fits"))("detectStars against a published source list", () => {
  it("agrees on places within 0.02 pixels, median of SNR > 50 (windowed positions; FITS counts from 1)", () => {
    const image = readFits(realFrame("stars-sep-reference/image.fits"));
    const { stars } = detectStars(image);
    const listed = readFileSync(realFrame("stars-sep-reference/image.cat"), "utf8").split("\n")
      .filter((line) => line.trim() !== "" && !line.startsWith("#")).map((line) => line.trim().split(/\s+/).map(Number))
      .map((row) => ({ x: row[3] - 1, y: row[4] - 1, flux: row[12], error: row[13], flags: row[row.length - 1] }));
    const bright = listed.filter((each) => each.flux / each.error > 50 && each.flags === 0);
    const { pairs } = matchTruth(bright, stars, 1.5);
    expect(pairs.length).toBeGreaterThan(0.6 * bright.length);
    const off = pairs.map(({ truth, found }) => Math.hypot(truth.x - found.x, truth.y - found.y));
    expect(median(off)).toBeLessThan(0.02);
  });
});

describe.skipIf(missingFrame("lights-m13-mono/M13_blue_0001.fits"))(
  "detectStars on a raw cluster with banding and hot pixels",
  () => {
    it("finds the stars, which move, and not the fixed pattern, which stays", () => {
      const lists = [1, 3].map((n) => detectStars(readFits(realFrame(`lights-m13-mono/M13_blue_000${n}.fits`))).stars);
      // SNR 5 … 14 each, trailed and blurred to 9 pixels, on a row pattern: a few dozen a frame
      expect(lists[0].length).toBeGreaterThan(20);
      const near = (dx: number, dy: number, reach: number) =>
        lists[0].slice(0, 100).filter((a: Star) =>
          lists[1].some((b) => Math.hypot(b.x - a.x - dx, b.y - a.y - dy) < reach)
        ).length;
      const moved = near(-24.4, 3.3, 3);
      const fixed = near(0, 0, 1);
      expect(moved).toBeGreaterThan(10);
      expect(fixed).toBeLessThan(2);
    });
  },
);

describe.skipIf(missingFrame("bayer/rotation.fits"))("detectStars on raw mosaics", () => {
  it("sees an arc as one long star, not as a row of them", () => {
    const image = readFits(realFrame("bayer/rotation.fits"), { checksum: "accept" });
    const mosaic = createImage({ ...image, geometry: { ...image.geometry, bayer: "GRBG" } });
    const { stars } = detectStars(mosaic);
    expect(stars.length).toBeGreaterThanOrEqual(1);
    expect(stars[0].eccentricity).toBeGreaterThan(0.9);
    expect(stars.filter((star) => star.flux > 0.2 * stars[0].flux).length).toBeLessThanOrEqual(2);
  });
  it("finds undersampled stars", () => {
    const image = readFits(realFrame("bayer/unsolved.fits"), { checksum: "accept" });
    const mosaic = createImage({ ...image, geometry: { ...image.geometry, bayer: "GRBG" } });
    const list = detectStars(mosaic);
    expect(list.stars.length).toBeGreaterThan(50);
    expect(list.fwhmPixels).toBeGreaterThan(1);
    expect(list.fwhmPixels).toBeLessThan(5);
  });
});
