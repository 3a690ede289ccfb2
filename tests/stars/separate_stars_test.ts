/**
 * Holds separate_stars.ts, and by it subtract_stars.ts, subtraction_residuals.ts, refill_cores.ts, find_companions.ts,
 * residual_peaks.ts, saturated_tops.ts.
 */
import { describe, expect, it } from "vitest";
import { constantImage, createImage } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { recombineStars } from "../../lib/stars/recombine_stars.ts";
import { reduceStars } from "../../lib/stars/reduce_stars.ts";
import { separateStars } from "../../lib/stars/separate_stars.ts";
import { makeScene, moffat } from "../support/scenes_processing.ts";
import { judgeSeparation } from "../support/separation_scores.ts";

describe("separateStars against truth", () => {
  // Figures to reach: 99 %, 98 % and 95 % of the flux of bright, medium and faint stars; free sky within 0.1 sigma;
  // nebula under and around the stars within 1 %.
  it.each(
    [[41, 3, 300, 0.35], [42, 2.4, 150, 0.35], [47, 4.5, 600, 0.45], [48, 3.2, 1000, 0.4]] as const,
  )("seed %i, FWHM %s px, nebula of %i ADU", (seed, fwhm, height, nebulaRadius) => {
    const scene = makeScene({
      seed,
      width: 600,
      height: 440,
      nebula: [height],
      nebulaRadius,
      stars: 350,
      fwhm,
      brightest: 2500,
    });
    const { starless, stars } = separateStars(scene.image);
    const { removed, sky, nebula } = judgeSeparation(scene, starless.planes[0].data, fwhm);
    expect(removed.bright).toBeGreaterThanOrEqual(0.99);
    expect(removed.medium).toBeGreaterThanOrEqual(0.98);
    expect(removed.faint).toBeGreaterThanOrEqual(0.95);
    for (const each of Object.values(removed)) expect(each).toBeLessThan(1.03);
    expect(Math.abs(sky)).toBeLessThan(0.1);
    expect(Math.abs(nebula - 1)).toBeLessThan(0.01);
    const [a, b, whole] = [starless, stars, scene.image].map((image) => image.planes[0].data);
    let wrong = 0;
    for (let i = 0; i < whole.length; i++) if (Math.fround(a[i] + b[i]) !== whole[i]) wrong++;
    expect(wrong).toBe(0);
    expect([...recombineStars(starless, stars).planes[0].data.subarray(0, 5000)]).toEqual([...whole.subarray(0, 5000)]);
  });

  it("leaves no dark ring and no smooth spot: noise and level in the cores are those of the sky", () => {
    const scene = makeScene({
      seed: 43,
      width: 400,
      height: 300,
      stars: 60,
      brightest: 2500,
      faintest: 200,
      fwhm: 3.2,
    });
    const { starless } = separateStars(scene.image);
    const data = starless.planes[0].data;
    let n = 0;
    let sum = 0;
    let squares = 0;
    let ring = 0;
    let rings = 0;
    for (const star of scene.stars) {
      for (let y = Math.round(star.y) - 8; y <= star.y + 8; y++) {
        for (let x = Math.round(star.x) - 8; x <= star.x + 8; x++) {
          if (x < 0 || y < 0 || x >= 400 || y >= 300) continue;
          const d = Math.hypot(x - star.x, y - star.y);
          const v = (data[y * 400 + x] - scene.sky) / scene.sigma;
          if (d <= 3) {
            n++;
            sum += v;
            squares += v * v;
          } else if (d <= 7) {
            ring += v;
            rings++;
          }
        }
      }
    }
    const spread = Math.sqrt(squares / n - (sum / n) ** 2);
    expect(Math.abs(sum / n)).toBeLessThan(0.35);
    expect(Math.abs(ring / rings)).toBeLessThan(0.25);
    expect(spread).toBeGreaterThan(0.75);
    expect(spread).toBeLessThan(1.25);
  });

  it("takes saturated stars out and keeps channels apart", () => {
    const scene = makeScene({
      seed: 44,
      width: 360,
      height: 260,
      channels: ["R", "G", "B"],
      stars: 80,
      brightest: 20000,
      faintest: 300,
      saturation: 30000,
      fwhm: 3,
    });
    const { starless, stars, list } = separateStars(scene.image);
    expect(starless.planes.map((plane) => plane.channel)).toEqual(["R", "G", "B"]);
    expect(list.some((star) => star.saturated)).toBe(true);
    starless.planes.forEach(({ data }, c) => {
      let high = 0;
      let before = 0;
      const limit = scene.sky + 30 * scene.sigma;
      for (const v of data) if (v > limit) high++;
      for (const v of scene.image.planes[c].data) if (v > limit) before++;
      expect(before).toBeGreaterThan(2000);
      expect(high / before).toBeLessThan(0.02);
    });
    expect(starless.history.nodes.at(-1)?.output).toBe("starless");
    expect(stars.history.nodes.at(-1)?.output).toBe("stars");
  });

  it("takes a star out whose top is cut too broad to be measured, with no ring left, and its dark trail when reduced", () => {
    const scene = makeScene({ seed: 49, width: 320, height: 240, stars: 60, brightest: 300, faintest: 20, fwhm: 2.9 });
    const random = randomStream(50);
    const width = 320;
    const data = scene.image.planes[0].data.map((v, i) => {
      const x = i % width - 160.3;
      const y = Math.floor(i / width) - 120.6;
      // Cut at 60 000, and bled along the row; the samples behind it lie below the sky.
      const bright = v + 900_000 * moffat(x * x + y * y, 2.9);
      if (bright >= 60_000 || Math.abs(y) < 1 && x > 0 && x < 9) return 60_000 + 5 * random.gaussian();
      return Math.abs(y) < 1 && x > 9 && x < 11 ? v - 600 : bright;
    });
    const image = createImage({ width, height: 240, unit: "adu", planes: [{ channel: "L", data }] });
    const { starless, list } = separateStars(image);
    const out = starless.planes[0].data;
    const cut = list.find((s) => Math.hypot(s.x - 162, s.y - 120.6) < 6 && s.saturated && s.halfFluxRadiusPixels > 1);
    expect(cut).toBeDefined();
    for (let r = 0; r <= 24; r += 4) {
      let sum = 0;
      let n = 0;
      for (let k = 0; k < 64; k++) {
        const x = Math.round(161 + r * Math.cos(k / 10.2));
        const y = Math.round(120.6 + r * Math.sin(k / 10.2));
        sum += out[y * width + x] - scene.sky;
        n++;
      }
      // The star would be 900 000 high: four standard deviations of the noise are less than a twenty-thousandth of it.
      expect(Math.abs(sum / n)).toBeLessThan(4 * scene.sigma);
    }
    const less = reduceStars(image, { strength: 0.5 }).planes[0].data;
    expect(data[121 * width + 170]).toBeLessThan(scene.sky - 400);
    expect(less[121 * width + 170]).toBeGreaterThan(scene.sky - 100);
  });

  it("takes no knot of a nebula for a cut star, nor parts channels by one another's levels", () => {
    const scene = makeScene({
      seed: 51,
      width: 400,
      height: 300,
      channels: ["Ha", "OIII", "SII"],
      nebula: [3000, 2000, 300],
      nebulaRadius: 0.45,
      stars: 25,
      brightest: 1500,
      faintest: 60,
      sky: 50,
    });
    const { starless } = separateStars(scene.image);
    // Away from stars each plane keeps its structure to the bit almost everywhere.
    scene.image.planes.forEach(({ data }, c) => {
      let free = 0;
      let moved = 0;
      for (let i = 0; i < data.length; i++) {
        if (scene.starFlux[c][i] > 0.05 * scene.sigma) continue;
        free++;
        if (Math.abs(starless.planes[c].data[i] - data[i]) > scene.sigma) moved++;
      }
      expect(moved / free).toBeLessThan(0.002);
    });
  });

  it("takes no crest of gas for a cut star where gas is the brightest thing in the field", () => {
    // Gas of 5000 standard deviations above stars of at most 300, its crests flat over more than a star's width.
    const scene = makeScene({
      seed: 53,
      width: 400,
      height: 300,
      nebula: [50_000],
      nebulaRadius: 0.3,
      stars: 60,
      brightest: 300,
      faintest: 40,
    });
    const { data } = scene.image.planes[0];
    const highest = data.reduce((a, b) => Math.max(a, b));
    const limit = 1000 + 0.97 * (highest - 1000);
    expect(data.reduce((n, v) => n + (v > limit ? 1 : 0), 0)).toBeGreaterThan(30);
    const { starless, list } = separateStars(scene.image);
    const known = ({ x, y }: { x: number; y: number }) => scene.stars.some((s) => Math.hypot(s.x - x, s.y - y) < 3);
    // (One without a half-flux radius is a star that was not measured, not one with a cut top.)
    expect(list.filter((star) => star.saturated && star.halfFluxRadiusPixels > 0 && !known(star))).toEqual([]);
    // The brightest gas keeps its shape to a fiftieth.
    let worst = 0;
    starless.planes[0].data.forEach((v, i) => {
      if (scene.nebula[0][i] > 0.8 * (highest - 1000)) {
        worst = Math.max(worst, Math.abs(v - data[i] + scene.starFlux[0][i]));
      }
    });
    expect(worst / highest).toBeLessThan(0.02);
  });

  it("returns an image without stars as it is, keeps NaN, refuses pictures", () => {
    const random = randomStream(3);
    const data = Float32Array.from({ length: 96 * 64 }, (_, i) => i === 7 ? NaN : 100 + random.gaussian());
    const image = createImage({ width: 96, height: 64, unit: "adu", planes: [{ channel: "L", data }] });
    const { starless, stars } = separateStars(image);
    expect([...starless.planes[0].data]).toEqual([...data]);
    expect(stars.planes[0].data.every((v, i) => i === 7 ? Number.isNaN(v) : v === 0)).toBe(true);
    expect(() => separateStars(constantImage(9, 9, 0.5, { unit: "display" }))).toThrow("image must be linear");
    expect(() => separateStars(image, { detectionSigma: 1 })).toThrow("detectionSigma must be ≥ 3, but got 1");
  });
});
