/** Holds deconvolve.ts, and by it richardson_lucy.ts, measure_blur.ts, measured.ts. */
import { readFileSync } from "node:fs";
import { afterAll, describe, expect, it } from "vitest";
import { createImage, derive, type Image } from "../../lib/core/image.ts";
import type { Star } from "../../lib/core/star.ts";
import { deconvolve, deconvolveMargin, deconvolveMeasures } from "../../lib/detail/deconvolve.ts";
import { pointSpread, restorePlane } from "../../lib/detail/richardson_lucy.ts";
import { measureEffect } from "../../lib/effect/measure_effect.ts";
import { closePool, setWorkerCount } from "../../lib/parallel/pool.ts";
import { detectStars } from "../../lib/stars/detect_stars.ts";
import { scaleNoise, starlet } from "../../lib/filters/starlet.ts";
import { medianOf } from "../../lib/stats/samples.ts";
import { changedSamples, differingSamples, randomPatch } from "../support/patches.ts";
import { makeScene } from "../support/scenes_processing.ts";

afterAll(closePool);

const width = 420;
const height = 360;
const scene = makeScene({ width, height, seed: 71, nebula: [400], nebulaRadius: 0.3, stars: 90, brightest: 2000 });
const sharp = deconvolve(scene.image);
const found = detectStars(scene.image).stars;
const bright = found.filter((star) =>
  !star.saturated && star.snr > 100 && star.x > 20 && star.y > 20 && star.x < width - 20 && star.y < height - 20 &&
  found.every((other) => other === star || Math.hypot(other.x - star.x, other.y - star.y) > 20 || other.snr < 15)
);

/** Samples of an image whose distance from a star lies within from … to. */
function about(image: Image, star: Star, from: number, to: number): number[] {
  const list: number[] = [];
  for (let y = Math.ceil(star.y - to); y <= star.y + to; y++) {
    for (let x = Math.ceil(star.x - to); x <= star.x + to; x++) {
      const r = Math.hypot(x - star.x, y - star.y);
      if (r >= from && r < to) list.push(image.planes[0].data[y * width + x]);
    }
  }
  return list;
}

describe("iterations of Richardson and Lucy", () => {
  it("agree with scipy's convolution, borders mirrored (fixtures/blur/generate.py)", () => {
    const stored = JSON.parse(readFileSync(new URL("../../fixtures/blur/values.json", import.meta.url), "utf8"));
    const weights = [1, 3, 2, 4, 9, 4, 2, 3, 1];
    const spread = pointSpread(1, (x, y) => weights[3 * (y + 1) + x + 1]);
    const size = stored.width * stored.height;
    const seen = Float32Array.from({ length: size }, (_, i) => ((i * 7919) % 1009) / 100 + 1);
    for (const iterations of [1, 10]) {
      const made = restorePlane({ data: seen, width: stored.width, height: stored.height }, spread, iterations);
      stored.rounds[iterations].forEach((v: number, i: number) => expect(Math.abs(made[i] / v - 1)).toBeLessThan(2e-5));
    }
  });

  it("bring a blurred point back and keep its flux", () => {
    const size = 41 * 41;
    const spread = pointSpread(4, (x, y) => Math.exp(-(x * x + y * y) / 3));
    const seen = new Float32Array(size).fill(0.01);
    for (let y = -4; y <= 4; y++) {
      for (let x = -4; x <= 4; x++) {
        const k = spread.x.findIndex((dx, n) => (dx === x && spread.y[n] === y) || (dx === -x && spread.y[n] === -y));
        seen[(20 + y) * 41 + 20 + x] += 100 * (k < 0 ? spread.middle : spread.weights[k]);
      }
    }
    const made = restorePlane({ data: seen, width: 41, height: 41 }, spread, 100);
    const sum = (plane: Float32Array) => plane.reduce((a, b) => a + b);
    expect(Math.abs(sum(made) / sum(seen) - 1)).toBeLessThan(1e-4);
    expect(seen[20 * 41 + 20]).toBeLessThan(11);
    expect(made[20 * 41 + 20]).toBeGreaterThan(70);
  });
});

describe("deconvolve", () => {
  it("narrows stars by a fifth to two fifths, brightness as a whole kept", () => {
    expect(bright.length).toBeGreaterThan(5);
    const before = detectStars(scene.image).fwhmPixels;
    const after = detectStars(sharp).fwhmPixels;
    expect(after / before).toBeGreaterThan(0.6);
    expect(after / before).toBeLessThan(0.8);
    const light = (image: Image, star: Star) => {
      const level = medianOf(about(image, star, 12, 17));
      const disc = about(image, star, 0, 9);
      return disc.reduce((sum, v) => sum + v - level, 0);
    };
    const kept = bright.map((star) => light(sharp, star) / light(scene.image, star));
    expect(Math.abs(medianOf(kept) - 1)).toBeLessThan(0.03);
    const total = (image: Image) => image.planes[0].data.reduce((sum, v) => sum + v, 0);
    expect(Math.abs(total(sharp) / total(scene.image) - 1)).toBeLessThan(1e-3);
  });

  it("draws no dark ring of more than three deviations about bright stars; the bare iterations do", () => {
    const depth = (image: Image) => {
      const rings = bright.map((star) => {
        const level = medianOf(about(image, star, 12, 17));
        return Math.min(...[3, 4, 5, 6].map((r) => medianOf(about(image, star, r, r + 1)) - level));
      });
      return Math.min(...rings) / scene.sigma;
    };
    expect(depth(sharp)).toBeGreaterThan(-3);
    const alpha2 = 9 / (4 * (2 ** (1 / 3) - 1));
    const spread = pointSpread(9, (x, y) => x * x + y * y > 81 ? 0 : (1 + (x * x + y * y) / alpha2) ** -3);
    const bare = restorePlane({ data: scene.image.planes[0].data, width, height }, spread, 10);
    const image = derive(scene.image, { planes: [{ channel: "L", data: bare }] }, { step: "bare", options: {} });
    expect(depth(image)).toBeLessThan(-5);
  });

  it("adds no noise to the sky, where without a threshold it does", () => {
    const noise = (image: Image) => scaleNoise(starlet(image.planes[0].data, width, height, 2).scales[1]);
    const before = noise(scene.image);
    expect(noise(sharp) / before).toBeLessThan(1.1);
    expect(noise(deconvolve(scene.image, { iterations: 30, thresholdSigma: 0 })) / before).toBeGreaterThan(1.3);
  });

  it("tells the ledger so: doubts where it was overdone, none as it is meant", () => {
    const meant = { changesStars: true };
    expect(measureEffect(scene.image, sharp, meant).doubts).toEqual([]);
    const effect = measureEffect(scene.image, sharp, meant);
    expect(effect.stars.fwhm.after ?? NaN).toBeLessThan(0.8 * (effect.stars.fwhm.before ?? NaN));
    expect(Math.abs((effect.nebula.flux ?? NaN) - 1)).toBeLessThan(0.01);
    const overdone = deconvolve(scene.image, { iterations: 60, thresholdSigma: 0 });
    expect(measureEffect(scene.image, overdone, meant).doubts.length).toBeGreaterThan(0);
  });

  it("leaves cut stars as they were", () => {
    const data = scene.image.planes[0].data.slice();
    const star = bright[0];
    const limit = star.background + 0.3 * star.peak;
    for (let i = 0; i < data.length; i++) data[i] = Math.min(data[i], limit);
    const cut = derive(scene.image, { planes: [{ channel: "L", data }] }, { step: "cut", options: {} });
    const made = deconvolve(cut, { saturationLevel: limit });
    expect(about(made, star, 0, 3)).toEqual(about(cut, star, 0, 3));
  });

  it("gives the same bytes for any number of workers, keeps NaN and its input, does nothing at strength 0", () => {
    const planes = ["R", "B"].map((channel) => ({ channel, data: scene.image.planes[0].data.slice() }));
    planes[0].data[5000] = NaN;
    const image = createImage({ width, height, unit: "adu", planes });
    const copy = planes[0].data.slice();
    const made = [0, 2, 3].map((count) => {
      setWorkerCount(count);
      return deconvolve(image, { iterations: 2 });
    });
    setWorkerCount(0);
    for (const each of made) each.planes.forEach(({ data }, c) => expect(data).toEqual(made[0].planes[c].data));
    expect(made[0].planes[0].data[5000]).toBe(NaN);
    expect(made[0].planes[1].data[5000]).not.toBe(NaN);
    expect(planes[0].data).toEqual(copy);
    expect(deconvolve(image, { iterations: 1, strength: 0 }).planes[1].data).toEqual(planes[1].data);
  });

  it("refuses misuse by name", () => {
    expect(() => deconvolve(scene.image, { iterations: 0 })).toThrow(
      /deconvolve: iterations must be a whole number of 1 … 100, but got 0/,
    );
    expect(() => deconvolve(scene.image, { thresholdSigma: NaN })).toThrow(
      /deconvolve: thresholdSigma must be ≥ 0, but got NaN/,
    );
    expect(() => deconvolve(scene.image, { strength: 2 })).toThrow(
      /deconvolve: strength must lie within 0 … 1, but got 2/,
    );
    const flat = createImage({
      width: 64,
      height: 64,
      unit: "adu",
      planes: [{ channel: "L", data: new Float32Array(4096).fill(7) }],
    });
    expect(() => deconvolve(flat)).toThrow(/deconvolve: stars must show the blur/);
  });
});

describe("deconvolve on a patch", () => {
  it("equals the whole bit for bit, given its measures and the stated margin", () => {
    const { image } = makeScene({
      width: 460,
      height: 420,
      seed: 72,
      channels: ["R", "B"],
      nebula: [400, 200],
      stars: 160,
      brightest: 20_000,
      faintest: 60,
      saturation: 6000,
    });
    const options = { iterations: 2, saturationLevel: 6000 };
    const measured = deconvolveMeasures(image, options);
    const whole = deconvolve(image, options);
    expect(measured.saturated.length).toBeGreaterThan(2);
    const margin = deconvolveMargin(options, measured.fwhmPixels);
    const patch = randomPatch(image, margin, 60, 40, 3);
    expect(changedSamples(patch, image, whole)).toBeGreaterThan(1000);
    expect(differingSamples(patch, deconvolve(patch.image, { measured, ...options }), whole)).toBe(0);
    const near = randomPatch(image, Math.floor(margin / 4), 60, 40, 3);
    expect(differingSamples(near, deconvolve(near.image, { measured, ...options }), whole)).toBeGreaterThan(0);
  });

  it("gives the same for measures that went through JSON, and records them", () => {
    const options = { iterations: 1 };
    const measured = JSON.parse(JSON.stringify(deconvolveMeasures(scene.image, options)));
    const made = deconvolve(scene.image, { measured, ...options });
    expect(made.planes[0].data).toEqual(deconvolve(scene.image, options).planes[0].data);
    expect(made.history.nodes.at(-1)?.options.measured).toEqual(measured);
  });

  it("needs a wider margin for more iterations and wider stars", () => {
    expect(deconvolveMargin({ iterations: 4 }, 3)).toBeGreaterThan(deconvolveMargin({ iterations: 3 }, 3));
    expect(deconvolveMargin({}, 4)).toBeGreaterThan(deconvolveMargin({}, 3));
    expect(deconvolveMargin()).toBeGreaterThanOrEqual(deconvolveMargin({}, 7));
  });
});
