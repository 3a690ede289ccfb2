import { describe, expect, it } from "vitest";
import { constantImage, createImage, type Image } from "../../lib/core/image.ts";
import { fillHoles } from "../../lib/filters/inpaint.ts";
import { maskStars } from "../../lib/stars/mask_stars.ts";
import { dilate, erode, open, reconstruct } from "../../lib/filters/morphology.ts";
import { recombineStars } from "../../lib/stars/recombine_stars.ts";
import { reduceStars } from "../../lib/stars/reduce_stars.ts";
import { separateStars } from "../../lib/stars/separate_stars.ts";
import { splitExactly } from "../../lib/stars/split_exactly.ts";
import { randomStream } from "../../lib/core/random.ts";
import { makeScene, moffat, type Scene } from "../support/scenes_processing.ts";

/** Star light removed by class of stars, sky and nebula against truth. */
function judge(scene: Scene, after: Float32Array, fwhm: number, c = 0) {
  const { width, height } = scene.image;
  const removed: Record<string, number> = {};
  for (const [name, low, high] of [["bright", 200, 2500], ["medium", 30, 200], ["faint", 8, 30]] as const) {
    let light = 0;
    let left = 0;
    let count = 0;
    const r = Math.ceil(2 * fwhm);
    for (const star of scene.stars) {
      if (!(star.contrast > low && star.contrast <= high)) continue;
      if (star.x < 12 || star.y < 12 || star.x > width - 13 || star.y > height - 13) continue;
      count++;
      for (let y = Math.round(star.y) - r; y <= star.y + r; y++) {
        for (let x = Math.round(star.x) - r; x <= star.x + r; x++) {
          const i = y * width + x;
          if ((x - star.x) ** 2 + (y - star.y) ** 2 > r * r) continue;
          light += scene.starFlux[c][i];
          left += after[i] - scene.nebula[c][i] - scene.sky - scene.noise[c][i];
        }
      }
    }
    expect(count).toBeGreaterThan(5);
    removed[name] = 1 - left / light;
  }
  let sky = 0;
  let free = 0;
  let under = 0;
  let truth = 0;
  for (let i = 0; i < after.length; i++) {
    const e = after[i] - scene.sky - scene.noise[c][i];
    if (scene.starFlux[c][i] < 0.02 * scene.sigma) {
      sky += e - scene.nebula[c][i];
      free++;
    } else if (scene.nebula[c][i] > 5 * scene.sigma) {
      under += e;
      truth += scene.nebula[c][i];
    }
  }
  return { removed, sky: sky / free / scene.sigma, nebula: under / truth };
}

describe("separateStars against truth", () => {
  // Figures to reach: 99 %, 98 % and 95 % of the light of bright, medium and faint stars; free sky within 0.1 sigma;
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
    const { removed, sky, nebula } = judge(scene, starless.planes[0].data, fwhm);
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

  it("leaves no dark ring and no smooth spot: grain and level in the cores are those of the sky", () => {
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
      const light = v + 900_000 * moffat(x * x + y * y, 2.9);
      if (light >= 60_000 || Math.abs(y) < 1 && x > 0 && x < 9) return 60_000 + 5 * random.gaussian();
      return Math.abs(y) < 1 && x > 9 && x < 11 ? v - 600 : light;
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

describe("splitExactly", () => {
  it("makes two parts whose float32 sum is the whole, for any share of a sample above half", () => {
    const random = randomStream(9);
    const n = 20000;
    const whole = Float32Array.from({ length: n }, () => 1000 * random.uniform());
    const behind = Float32Array.from(whole, (v) => v * (2 * random.uniform() - 0.2));
    const front = new Float32Array(n);
    const asked = behind.slice();
    splitExactly(whole, behind, front);
    let wrong = 0;
    let moved = 0;
    for (let i = 0; i < n; i++) {
      if (Math.fround(behind[i] + front[i]) !== whole[i]) wrong++;
      moved = Math.max(moved, Math.abs(behind[i] - asked[i]) / whole[i]);
    }
    expect(wrong).toBe(0);
    expect(moved).toBeLessThan(2 ** -22);
  });

  it("is true to one rounding of the larger part where the whole is tiny against it", () => {
    const whole = Float32Array.of(1e-6, -0.003, 0);
    const behind = Float32Array.of(-5, 7.123, 3.3);
    const front = new Float32Array(3);
    splitExactly(whole, behind, front);
    whole.forEach((v, i) =>
      expect(Math.abs(behind[i] + front[i] - v)).toBeLessThanOrEqual(Math.abs(front[i]) * 2 ** -23)
    );
  });
});

describe("fillHoles", () => {
  const disc = (size: number, radius: number) =>
    Uint8Array.from(
      { length: size * size },
      (_, i) =>
        (i % size - (size - 1) / 2) ** 2 + (Math.floor(i / size) - (size - 1) / 2) ** 2 <= radius * radius ? 1 : 0,
    );

  it("continues a bilinear surface exactly (a solution of the biharmonic equation)", () => {
    const data = Float32Array.from(
      { length: 225 },
      (_, i) => 3 + 0.5 * (i % 15) - 0.25 * Math.floor(i / 15) + 0.1 * (i % 15) * Math.floor(i / 15),
    );
    const hole = disc(15, 3);
    const out = fillHoles(data.map((v, i) => hole[i] ? 99 : v), hole, 15, 15, { pull: 0, sweeps: 3000 });
    for (let i = 0; i < 225; i++) expect(Math.abs(out[i] - data[i])).toBeLessThan(1e-5); // float32
  });

  it("gives the biharmonic value of scikit-image 0.19.3 inpaint_biharmonic in the middle of a hole, not the harmonic one", () => {
    const data = Float32Array.from({ length: 225 }, (_, i) => Math.sin(i % 15 / 4) * Math.cos(Math.floor(i / 15) / 5));
    const hole = disc(15, 3);
    const out = fillHoles(data, hole, 15, 15, { pull: 0, sweeps: 3000 });
    expect(out[7 * 15 + 7]).toBeCloseTo(0.16245911, 5); // harmonic: 0.12237304, truth: 0.16724528
    let worst = 0;
    for (let i = 0; i < 225; i++) worst = Math.max(worst, Math.abs(out[i] - data[i]));
    expect(worst).toBeCloseTo(0.005773, 4);
  });

  it("keeps what is known and passes by its noise when pulled softly", () => {
    const random = randomStream(5);
    const data = Float32Array.from({ length: 60 * 60 }, (_, i) => 100 + i % 60 + random.gaussian());
    const hole = disc(60, 8);
    const out = fillHoles(data, hole, 60, 60, { pull: 1 / 64, sweeps: 10 });
    let squares = 0;
    let n = 0;
    for (let i = 0; i < data.length; i++) {
      if (!hole[i]) expect(out[i]).toBe(data[i]);
      else {
        squares += (out[i] - 100 - i % 60) ** 2;
        n++;
      }
    }
    expect(Math.sqrt(squares / n)).toBeLessThan(1); // less than the noise of one sample
  });
});

describe("morphology on a line: values of scipy.ndimage 1.10.1 and skimage.morphology.reconstruction", () => {
  const line = Float32Array.of(0, 0, 1, 5, 9, 5, 1, 0, 0, 0, 3, 3, 3, 3, 0);
  it.each(
    [
      ["erosion 3", erode(line, 15, 1, 1), [0, 0, 0, 1, 5, 1, 0, 0, 0, 0, 0, 3, 3, 0, 0]],
      ["opening 3", open(line, 15, 1, 1), [0, 0, 1, 5, 5, 5, 1, 0, 0, 0, 3, 3, 3, 3, 0]],
      ["opening 5", open(line, 15, 1, 2), [0, 0, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0, 0]],
      [
        "reconstruction of line − 4",
        reconstruct(line.map((v) => Math.max(v - 4, 0)), line, 15, 1),
        [0, 0, 1, 5, 5, 5, 1, 0, 0, 0, 0, 0, 0, 0, 0],
      ],
    ] as const,
  )("%s", (_name, found, wanted) => expect([...found]).toEqual([...wanted]));

  it("erosion and dilation of discs are each other's mirror, and NaN is left out", () => {
    const random = randomStream(6);
    const data = Float32Array.from({ length: 400 }, () => random.gaussian());
    const mirror = dilate(data.map((v) => -v), 20, 20, 2.3);
    expect([...erode(data, 20, 20, 2.3)]).toEqual([...mirror].map((v) => -v));
    const gap = data.slice();
    gap[210] = NaN;
    expect(erode(gap, 20, 20, 1).every((v) => v === v)).toBe(true);
  });
});

describe("reduceStars and recombineStars", () => {
  const scene = makeScene({ seed: 45, width: 320, height: 240, stars: 40, brightest: 1500, faintest: 100 });
  const above = (image: Image) => {
    let sum = 0;
    scene.image.planes[0].data.forEach((_, i) => {
      if (scene.starFlux[0][i] > 3 * scene.sigma) sum += image.planes[0].data[i] - scene.sky - scene.noise[0][i];
    });
    return sum;
  };

  it.each([0.3, 0.6, 1])("takes a share of %s of the light away", (strength) => {
    const ratio = above(reduceStars(scene.image, { strength })) / above(scene.image);
    expect(Math.abs(ratio - (1 - strength))).toBeLessThan(0.02);
  });

  it("erodes bright spots, also on pictures, and leaves a flat field as it is", () => {
    const less = reduceStars(scene.image, { method: "morphology", strength: 1 });
    expect(above(less) / above(scene.image)).toBeLessThan(0.8);
    const flat = constantImage(20, 20, 0.3, { unit: "display" });
    expect([...reduceStars(flat, { method: "morphology" }).planes[0].data]).toEqual([...flat.planes[0].data]);
  });

  it("screens pictures and refuses to screen linear data or mix units", () => {
    const a = constantImage(2, 2, 0.4, { unit: "display" });
    const b = constantImage(2, 2, 0.5, { unit: "display" });
    expect(recombineStars(a, b, { strength: 0.5 }).planes[0].data[0]).toBeCloseTo(1 - 0.6 * 0.75, 6);
    expect(() => recombineStars(a, constantImage(2, 2, 5))).toThrow("images must have one unit");
    expect(() => recombineStars(constantImage(2, 2, 5), constantImage(2, 2, 5), { method: "screen" })).toThrow(
      "add instead",
    );
    expect(() => reduceStars(a)).toThrow("image must be linear");
    expect(() => reduceStars(scene.image, { strength: 2 })).toThrow("strength must lie within 0 … 1, but got 2");
  });
});

describe("maskStars", () => {
  it("covers bright stars, leaves the sky free, and reaches further out for brighter stars", () => {
    const scene = makeScene({ seed: 46, width: 320, height: 240, stars: 30, brightest: 2000, faintest: 50 });
    const mask = maskStars(scene.image).planes[0].data;
    let covered = 0;
    let bright = 0;
    let wrong = 0;
    let free = 0;
    for (let i = 0; i < mask.length; i++) {
      if (scene.starFlux[0][i] > 3 * scene.sigma) {
        bright++;
        if (mask[i] > 0.5) covered++;
      } else if (scene.starFlux[0][i] < 0.1 * scene.sigma) {
        free++;
        if (mask[i] > 0.5) wrong++;
      }
    }
    expect(covered / bright).toBeGreaterThan(0.95);
    expect(wrong / free).toBeLessThan(0.01);
  });

  it("covers halo and spikes of a cut star, and nothing that far out beside the spikes", () => {
    const scene = makeScene({ seed: 52, width: 320, height: 240, stars: 40, brightest: 200, faintest: 20, fwhm: 3 });
    const data = scene.image.planes[0].data.map((v, i) => {
      const x = i % 320 - 150.2;
      const y = Math.floor(i / 320) - 120.4;
      const r = Math.hypot(x, y);
      const halo = 40 * Math.exp(-0.5 * (r / 14) ** 2);
      const spike = 4000 / (1 + r) * Math.exp(-0.5 * (y / 1.3) ** 2) * (r < 70 ? 1 : 0);
      return Math.min(50_000, v + 400_000 * moffat(r * r, 3) + halo + spike);
    });
    const image = createImage({ width: 320, height: 240, unit: "adu", planes: [{ channel: "L", data }] });
    const mask = maskStars(image).planes[0].data;
    const at = (x: number, y: number) => mask[y * 320 + x];
    // Halo, in all directions.
    for (let k = 0; k < 8; k++) {
      expect(at(Math.round(150 + 20 * Math.cos(k * Math.PI / 4)), Math.round(120 + 20 * Math.sin(k * Math.PI / 4))))
        .toBeGreaterThan(0.9);
    }
    // Spikes to the left and right, out to 55 pixels of 70; twice as far as the halo.
    for (const x of [100, 110, 190, 200]) expect(at(x, 120)).toBeGreaterThan(0.9);
    let beside = 0;
    let n = 0;
    for (const dy of [-16, -12, 12, 16]) {
      for (const x of [95, 100, 200, 205]) {
        if (scene.starFlux[0][(120 + dy) * 320 + x] > 0.5 * scene.sigma) continue;
        beside += at(x, 120 + dy) > 0.5 ? 1 : 0;
        n++;
      }
    }
    expect(beside).toBeLessThanOrEqual(n / 8);
  });
});
