/**
 * Covers sample_background.ts, find_free_samples.ts, find_sky.ts, roughness.ts, low_surface_fitter.ts,
 * field_blocks.ts, fit_surface.ts, search_surface.ts, score_surfaces.ts, surface_model.ts, surface_uncertainty.ts,
 * mesh_surface.ts, subtract_surface.ts and divide_surface.ts.
 */
import { describe, expect, it } from "vitest";
import { constantImage, createImage } from "../../lib/core/image.ts";
import { divideSurface } from "../../lib/background/divide_surface.ts";
import { extractGradient } from "../../lib/background/extract_gradient.ts";
import { fitSurface } from "../../lib/background/fit_surface.ts";
import { sampleBackground } from "../../lib/background/sample_background.ts";
import { subtractSurface } from "../../lib/background/subtract_surface.ts";
import { randomStream } from "../../lib/core/random.ts";
import { readFits } from "../../lib/io/read_fits.ts";
import { median } from "../../lib/stats/median.ts";
import { missingData, openDataPath } from "../support/open_data.ts";
import { makeScene, type Scene } from "../support/scenes_processing.ts";

/** What is left of the gradient, highest minus lowest and rms, and the slope of the nebula against truth. */
function judge(scene: Scene, model: Float32Array, after: Float32Array, c = 0) {
  const n = model.length;
  const truth = scene.gradient[c];
  let mean = 0;
  let low = Infinity;
  let high = -Infinity;
  let squares = 0;
  for (let i = 0; i < n; i++) mean += (model[i] - truth[i]) / n;
  let sx = 0;
  let sy = 0;
  let sxx = 0;
  let sxy = 0;
  for (let i = 0; i < n; i++) {
    const e = model[i] - truth[i] - mean;
    low = Math.min(low, e);
    high = Math.max(high, e);
    squares += e * e / n;
    const x = scene.nebula[c][i];
    const y = after[i] - scene.starFlux[c][i] - scene.noise[c][i];
    sx += x;
    sy += y;
    sxx += x * x;
    sxy += x * y;
  }
  return { left: high - low, rms: Math.sqrt(squares), slope: (sxy - sx * sy / n) / (sxx - sx * sx / n) };
}

describe("sampleBackground", () => {
  it("measures boxes with stars clipped, marks what is excluded, empty or uneven, keeps places chosen by hand", () => {
    const scene = makeScene({ width: 300, height: 200, stars: 150, sky: 500, noise: 4 });
    const data = scene.image.planes[0].data.slice();
    for (let y = 0; y < 40; y++) for (let x = 0; x < 40; x++) data[y * 300 + x] = NaN;
    const image = createImage({ width: 300, height: 200, unit: "adu", planes: [{ channel: "L", data }] });
    const corner = [{ x: 250, y: 150 }, { x: 299, y: 150 }, { x: 299, y: 199 }, { x: 250, y: 199 }];
    const found = sampleBackground(image, { boxesAlong: 12, exclude: [corner], points: [{ x: 100, y: 100 }] });
    expect(found.samples.length).toBe(12 * 8 + 1);
    expect(found.samples[0].doubt).toBe("no data");
    expect(found.samples[95].doubt).toBe("excluded");
    expect(found.samples[96]).toMatchObject({ byHand: true, x: 100.5, y: 100.5, doubt: "" });
    const free = found.samples.filter((s) => s.doubt === "");
    const mean = free.reduce((a, s) => a + s.levels[0], 0) / free.length;
    expect(Math.abs(mean - 500)).toBeLessThan(2); // half a sigma: the light of 150 stars' wings
    expect(free[0].errors[0]).toBeLessThan(0.6);
  });

  it("refuses misuse by name", () => {
    expect(() => sampleBackground(constantImage(9, 9, 0.5, { unit: "display" }))).toThrow("image must be linear");
    expect(() => sampleBackground(constantImage(9, 9, 1), { boxesAlong: 2 })).toThrow(
      "whole number of 3 … 64, but got 2",
    );
    expect(() => sampleBackground(constantImage(9, 9, 1), { points: [{ x: 9, y: 0 }] })).toThrow(
      "must lie in the image",
    );
  });
});

describe("extractGradient against truth", () => {
  // At least 30 % of the field is free sky: figures are 10 % of the gradient and half the sky noise (10 ADU).
  it.each(
    [
      ["plane", 21, 300],
      ["plane", 22, 60],
      ["quadratic", 23, 300],
      ["quadratic", 24, 60],
      ["cubic", 25, 300],
      ["cubic", 26, 60],
      ["cubic", 27, 300],
      ["vignetting", 28, 300],
      ["vignetting", 29, 300],
    ] as const,
  )("%s, seed %i, nebula of %i ADU: left ≤ 10 %% of 200 ADU and rms ≤ half the noise", (gradientKind, seed, height) => {
    const scene = makeScene({
      seed,
      width: 720,
      height: 520,
      gradient: 200,
      gradientKind,
      nebula: [height],
      nebulaRadius: 0.27,
      stars: 600,
    });
    const { image, surface } = extractGradient(scene.image);
    const { left, rms, slope } = judge(scene, surface.image.planes[0].data, image.planes[0].data);
    expect(left).toBeLessThanOrEqual(20);
    expect(rms).toBeLessThanOrEqual(5);
    // The nebula of 60 ADU is six times the noise: 2 % of it is a ninth of the noise, the size of the stars' wings.
    // The same of vignetting, which is no polynomial: what is left of it is up to a third of the noise.
    const near = gradientKind === "vignetting" ? 20 / height : height >= 300 ? 0.02 : 0.05;
    expect(Math.abs(slope - 1)).toBeLessThanOrEqual(near);
  });

  // Nebulae that leave a third of the field free, where surfaces through their flanks fit as many samples as the sky
  // does.
  it.each(
    [["plane", 301, 60], ["quadratic", 302, 300], ["cubic", 303, 60], ["cubic", 304, 300]] as const,
  )("%s behind a large nebula, seed %i, %i ADU", (gradientKind, seed, height) => {
    const scene = makeScene({
      seed,
      width: 720,
      height: 520,
      gradient: 200,
      gradientKind,
      nebula: [height],
      nebulaRadius: 0.3,
      stars: 600,
    });
    const free = scene.nebula[0].reduce((n, v) => n + (v < 1 ? 1 : 0), 0) / scene.nebula[0].length;
    expect(free).toBeLessThan(0.45);
    const { image, surface } = extractGradient(scene.image);
    const { left, rms, slope } = judge(scene, surface.image.planes[0].data, image.planes[0].data);
    expect(left).toBeLessThanOrEqual(20);
    expect(rms).toBeLessThanOrEqual(5);
    expect(Math.abs(slope - 1)).toBeLessThanOrEqual(height >= 300 ? 0.02 : 0.08);
  });

  it("meets methods' measure: an injected plane is recovered to 1 %, clean samples scatter by their own noise", () => {
    const scene = makeScene({ seed: 33, width: 720, height: 520, gradient: 100, gradientKind: "plane", stars: 300 });
    const { image, surface } = extractGradient(scene.image);
    const { left } = judge(scene, surface.image.planes[0].data, image.planes[0].data);
    expect(left).toBeLessThanOrEqual(1);
    // 1.5 times the noise of sampling; the light of faint stars in the boxes is in it.
    expect(surface.excess).toBeLessThanOrEqual(1.5);
    const again = sampleBackground(image).samples.filter((s) => s.doubt === "");
    const levels = again.map((s) => s.levels[0]);
    const middle = median(levels);
    const spread = 1.4826 * median(levels.map((v) => Math.abs(v - middle)));
    expect(spread).toBeLessThanOrEqual(1.5 * median(again.map((s) => s.errors[0])));
  });

  it("leaves a field without a gradient alone", () => {
    const scene = makeScene({ seed: 31, width: 480, height: 360, nebula: [200], nebulaRadius: 0.2, stars: 200 });
    const { surface } = extractGradient(scene.image);
    expect(surface.ranges[0]).toBeLessThan(3); // a third of the noise
  });

  it("recognises a field filled with nebula, says so, and takes no more than a plane", () => {
    const scene = makeScene({
      seed: 5,
      width: 480,
      height: 360,
      gradient: 60,
      nebula: [1000],
      nebulaRadius: 0.55,
      stars: 100,
    });
    const { image, surface } = extractGradient(scene.image);
    expect(surface.chosen.model).toBe("polynomial");
    expect(surface.chosen.degree).toBeLessThanOrEqual(1);
    expect(surface.notes.join(" ")).toMatch(/fill/);
    expect(judge(scene, surface.image.planes[0].data, image.planes[0].data).slope).toBeGreaterThan(0.85);
  });

  it("says nothing of the kind where the sky is free", () => {
    const scene = makeScene({
      seed: 6,
      width: 480,
      height: 360,
      gradient: 60,
      nebula: [200],
      nebulaRadius: 0.2,
      stars: 100,
    });
    expect(extractGradient(scene.image).surface.notes.join(" ")).not.toMatch(/fill/);
  });

  it("keeps an object out of all channels when it is seen in one, and keeps the level of each", () => {
    const scene = makeScene({
      seed: 8,
      width: 480,
      height: 360,
      channels: ["R", "G", "B"],
      gradient: 100,
      nebula: [400, 30, 30],
      nebulaRadius: 0.25,
      stars: 100,
    });
    const { image, surface } = extractGradient(scene.image);
    for (let c = 0; c < 3; c++) {
      const { left } = judge(scene, surface.image.planes[c].data, image.planes[c].data, c);
      expect(left).toBeLessThanOrEqual(10);
      expect(Math.abs(surface.levels[c] - 1050)).toBeLessThan(30);
    }
    const shared = extractGradient(scene.image, { shape: "shared" });
    expect(judge(scene, shared.surface.image.planes[1].data, shared.image.planes[1].data, 1).left).toBeLessThanOrEqual(
      10,
    );
  });
});

describe("fitSurface", () => {
  it("takes a spline where no polynomial will do, and its scores say why", () => {
    const width = 480;
    const height = 360;
    const data = Float32Array.from({ length: width * height }, (_, i) => {
      const x = i % width;
      const y = Math.floor(i / width);
      return 100 + 40 * Math.sin(x / 70) * Math.cos(y / 60) + ((i * 7919) % 101) / 101;
    });
    const image = createImage({ width, height, unit: "adu", planes: [{ channel: "L", data }] });
    const surface = fitSurface(sampleBackground(image), { model: "thin-plate", rejectionSigma: 1000 });
    expect(surface.chosen.model).toBe("thin-plate");
    const even = subtractSurface(image, surface).planes[0].data;
    let squares = 0;
    for (const v of even) squares += (v - surface.levels[0] - 0.5) ** 2 / even.length;
    expect(Math.sqrt(squares)).toBeLessThan(2); // of a structure of 20 rms
    const polynomial = fitSurface(sampleBackground(image), { model: "polynomial", rejectionSigma: 1000 });
    expect(surface.chosen.score).toBeLessThan(polynomial.chosen.score);
    expect(polynomial.candidates.map((each) => each.degree)).toEqual([0, 1, 2, 3, 4]);
  });

  // Vignetting by cos⁴ of the field angle, 20 % at the corner; no polynomial of degree 4 or less is it, one with the
  // fourth power of the distance nearly.
  const vignetting = (width: number, height: number, noise: number, seed: number) => {
    const random = randomStream(seed);
    const fall = (x: number, y: number) =>
      1000 /
      (1 + 0.12 * ((x - width / 2 + 30) ** 2 + (y - height / 2) ** 2) / (width * width / 4 + height * height / 4)) ** 2;
    const data = Float32Array.from(
      { length: width * height },
      (_, i) => fall(i % width, Math.floor(i / width)) + noise * random.gaussian(),
    );
    return { fall, image: createImage({ width, height, unit: "adu", planes: [{ channel: "L", data }] }) };
  };

  it("takes a polynomial with vignetting where light falls off like it", () => {
    const { fall, image } = vignetting(480, 360, 5, 41);
    const surface = fitSurface(sampleBackground(image));
    expect(surface.chosen).toMatchObject({ model: "vignetting", degree: 3 });
    const worst = surface.image.planes[0].data.reduce(
      (most, v, i) => Math.max(most, Math.abs(v - fall(i % 480, Math.floor(i / 480)))),
      0,
    );
    expect(worst).toBeLessThan(2.5); // half the noise, of a fall of 190
    const misfits = new Map(surface.candidates.map((each) => [`${each.model} ${each.degree}`, each.misfit]));
    expect(misfits.get("vignetting 3")).toBe(1);
    expect(misfits.get("polynomial 3")).toBeGreaterThan(1.5);
    expect(fitSurface(sampleBackground(image), { model: "vignetting" }).chosen.model).toBe("vignetting");
  });

  it("shares the surface between candidates, all of them together, and says so", () => {
    // A rise so weak beside the noise that a constant is nearly as good.
    const shares = [0, 1.2, 1.6, 2, 2.5, 12].map((rise) => {
      const random = randomStream(43);
      const data = Float32Array.from(
        { length: 480 * 360 },
        (_, i) => 100 + rise * (i % 480) / 480 + 10 * random.gaussian(),
      );
      const image = createImage({ width: 480, height: 360, unit: "adu", planes: [{ channel: "L", data }] });
      const surface = fitSurface(sampleBackground(image));
      expect(surface.candidates.reduce((sum, { share }) => sum + share, 0)).toBeCloseTo(1, 12);
      expect(surface.chosen.share).toBe(Math.max(...surface.candidates.map(({ share }) => share)));
      const mixed = surface.candidates.filter(({ share }) => share > 0).length > 1;
      expect(surface.notes[0].includes(" and ")).toBe(mixed);
      return surface.candidates[0].share;
    });
    expect(shares[0]).toBe(1); // a flat sky: a constant
    expect(shares[5]).toBe(0); // a rise beyond doubt
    expect(shares.some((share) => share > 0.02 && share < 0.98)).toBe(true); // between them no jump
    shares.slice(1).forEach((share, k) => expect(share).toBeLessThanOrEqual(shares[k]));
  });

  it("does not jump when the sky is measured again with a tenth of the noise added", () => {
    const scene = makeScene({
      seed: 44,
      width: 480,
      height: 360,
      gradient: 6,
      gradientKind: "plane",
      nebula: [200],
      nebulaRadius: 0.3,
      stars: 150,
    });
    const first = fitSurface(sampleBackground(scene.image)).image.planes[0].data;
    for (const seed of [1, 2, 3]) {
      const random = randomStream(seed);
      const data = scene.image.planes[0].data.map((v) => v + random.gaussian());
      const image = createImage({ width: 480, height: 360, unit: "adu", planes: [{ channel: "L", data }] });
      const again = fitSurface(sampleBackground(image)).image.planes[0].data;
      let low = Infinity;
      let high = -Infinity;
      for (let i = 0; i < again.length; i++) {
        low = Math.min(low, again[i] - first[i]);
        high = Math.max(high, again[i] - first[i]);
      }
      expect(high - low).toBeLessThan(2); // a fifth of the noise of a pixel
    }
  });

  it("says how unsure it is: much where hardly a corner is free, little where the sky is", () => {
    const scene = (nebulaRadius: number) =>
      makeScene({
        seed: 45,
        width: 480,
        height: 360,
        gradient: 200,
        gradientKind: "cubic",
        nebula: [300],
        nebulaRadius,
        stars: 100,
      });
    const hidden = fitSurface(sampleBackground(scene(0.42).image));
    const open = fitSurface(sampleBackground(scene(0.15).image));
    expect(hidden.uncertainty[0]).toBeGreaterThan(5);
    expect(hidden.notes.join(" ")).toMatch(/unsure by [\d.]+, [\d.]+ times the noise of a pixel/);
    expect(open.uncertainty[0]).toBeLessThan(5);
    expect(open.notes.join(" ")).not.toMatch(/unsure/);
  });

  it("refuses too few samples and unknown models", () => {
    const everything = [{ x: -1, y: -1 }, { x: 40, y: -1 }, { x: 40, y: 40 }, { x: -1, y: 40 }];
    const none = sampleBackground(constantImage(40, 40, 5), { exclude: [everything] });
    expect(() => fitSurface(none)).toThrow("at least 3 samples must show sky, but got 0");
    const some = sampleBackground(constantImage(40, 40, 5));
    expect(() => fitSurface(some, { maximumDegree: 5 })).toThrow(
      "maximumDegree must be a whole number of 0 … 4, but got 5",
    );
    expect(() => fitSurface(some, { model: "plain" as "automatic" })).toThrow('but got "plain"');
  });
});

describe("a mesh", () => {
  const size = { width: 240, height: 160 };
  const sky = (of: (x: number, y: number) => number) =>
    createImage({
      ...size,
      unit: "adu",
      planes: [{
        channel: "L",
        data: Float32Array.from({ length: 240 * 160 }, (_, i) => of(i % 240, Math.floor(i / 240))),
      }],
    });

  it("gives back a plane to the corners, and goes on with it under a hole", () => {
    const plane = (x: number, y: number) => 100 + 0.1 * x - 0.05 * y;
    const hole = [{ x: 60, y: 40 }, { x: 160, y: 40 }, { x: 160, y: 120 }, { x: 60, y: 120 }];
    const image = sky((x, y) => plane(x, y) + (x > 70 && x < 150 && y > 50 && y < 110 ? 500 : 0));
    const surface = fitSurface(sampleBackground(image, { exclude: [hole] }), { model: "mesh" });
    expect(surface.chosen.model).toBe("mesh");
    surface.image.planes[0].data.forEach((v, i) => {
      expect(Math.abs(v - plane(i % 240, Math.floor(i / 240)))).toBeLessThan(0.02);
    });
  });

  it("follows what is wider than three boxes, where polynomials do not, and its notes name it", () => {
    const wave = (x: number, y: number) => 100 + 8 * Math.sin(x / 25) * Math.cos(y / 25);
    const image = sky((x, y) => wave(x, y) + ((x * 7919 + y * 104729) % 101) / 101);
    const left = (model: "mesh" | "polynomial") => {
      const surface = fitSurface(sampleBackground(image), { model, rejectionSigma: 1000 });
      expect(surface.notes[0].includes("a mesh of the boxes")).toBe(model === "mesh");
      let squares = 0;
      surface.image.planes[0].data.forEach((v, i) => squares += (v - 0.5 - wave(i % 240, Math.floor(i / 240))) ** 2);
      return Math.sqrt(squares / (240 * 160));
    };
    expect(left("mesh")).toBeLessThan(1);
    expect(left("polynomial")).toBeGreaterThan(3);
  });

  it("refuses points chosen by hand alone", () => {
    const points = [{ x: 10, y: 10 }, { x: 200, y: 20 }, { x: 100, y: 140 }];
    expect(() => fitSurface(sampleBackground(sky(() => 5), { automatic: false, points }), { model: "mesh" })).toThrow(
      "a mesh must have boxes that were laid out",
    );
  });

  const [file, map] = ["stars-sep-reference/image.fits", "stars-sep-reference/back.fits"];
  it.skipIf(missingData(file))("agrees with the published background map of SEP's sample image", () => {
    const [image, wanted] = [file, map].map((name) => readFits(openDataPath(name)));
    const surface = fitSurface(sampleBackground(image, { boxesAlong: 8, boxShare: 1 }), { model: "mesh" });
    const a = surface.image.planes[0].data;
    const b = wanted.planes[0].data;
    let mean = 0;
    let squares = 0;
    for (let i = 0; i < a.length; i++) mean += (a[i] - b[i]) / a.length;
    for (let i = 0; i < a.length; i++) squares += (a[i] - b[i]) ** 2 / a.length;
    // Its noise is 65 and its boxes are 64 pixels wide; ours are half as wide, and the level of one is known to 2.5.
    expect(Math.abs(mean)).toBeLessThan(3);
    expect(Math.sqrt(squares)).toBeLessThan(6);
  });
});

describe("samples placed and kept out by hand", () => {
  it("a polygon keeps a nebula out that fills the field; points alone are enough for a plane", () => {
    const scene = makeScene({
      seed: 305,
      width: 480,
      height: 360,
      gradient: 60,
      gradientKind: "plane",
      nebula: [300],
      nebulaRadius: 0.36,
      stars: 50,
    });
    const points: { x: number; y: number }[] = [];
    // Where the truth is free of nebula: the corners.
    for (let y = 12; y < 350; y += 24) {
      for (let x = 12; x < 470; x += 24) if (scene.nebula[0][y * 480 + x] < 2) points.push({ x, y });
    }
    expect(points.length).toBeGreaterThan(8);
    const { surface, samples } = extractGradient(scene.image, {
      samples: { automatic: false, points },
      maximumDegree: 1,
    });
    expect(samples.every((s) => s.byHand && s.doubt === "")).toBe(true);
    expect(judge(scene, surface.image.planes[0].data, scene.image.planes[0].data).left).toBeLessThan(6);

    // samples that were taken before do the same, and the record says how they were taken
    const taken = sampleBackground(scene.image, { automatic: false, points });
    const again = extractGradient(scene.image, { samples: taken, maximumDegree: 1 });
    expect(again.surface.image.planes[0].data).toEqual(surface.image.planes[0].data);
    expect(again.image.history.nodes.at(-1)?.options.samples).toMatchObject({ automatic: false, boxesAlong: 24 });
  });

  it("one shape for all channels: what one channel shows of a gradient is taken off all, in proportion", () => {
    const width = 320;
    const height = 240;
    const second: number[] = [];
    const third: number[] = [];
    for (const seed of [306, 307, 308]) {
      const random = randomStream(seed);
      const planes = [3, 1, 0.5].map((k, c) => ({
        channel: "RGB"[c],
        data: Float32Array.from(
          { length: width * height },
          (_, i) =>
            200 + k * 10 * ((i % width) / width + (Math.floor(i / width) / height) ** 2) + 20 * random.gaussian(),
        ),
      }));
      const image = createImage({ width, height, unit: "adu", planes });
      const { surface } = extractGradient(image, { shape: "shared" });
      expect(surface.ranges[0]).toBeGreaterThan(50);
      second.push(surface.ranges[1] / surface.ranges[0]);
      third.push(surface.ranges[2] / surface.ranges[0]);
      const [a, b] = surface.image.planes.map(({ data }) => data);
      // The same shape: proportional at every pixel.
      for (let i = 0; i < a.length; i += 997) {
        const u = (a[i] - surface.levels[0]) / surface.ranges[0];
        const v = (b[i] - surface.levels[1]) / surface.ranges[1];
        expect(Math.abs(u - v)).toBeLessThan(1e-3);
      }
    }
    // The second channel rises by 20 ADU under a noise of 20: a ratio is known to 0.04, the mean of three to 0.02.
    expect(Math.abs(second.reduce((a, b) => a + b) / 3 - 1 / 3)).toBeLessThan(0.06);
    expect(Math.abs(third.reduce((a, b) => a + b) / 3 - 1 / 6)).toBeLessThan(0.06);
  });

  it("divides: an uneven response is evened, and stars with it", () => {
    const scene = makeScene({ seed: 307, width: 360, height: 270, sky: 1000, stars: 100, brightest: 500 });
    const fall = (i: number) => 1 - 0.25 * ((i % 360 / 360 - 0.5) ** 2 + (Math.floor(i / 360) / 270 - 0.5) ** 2);
    const data = scene.image.planes[0].data.map((v, i) => v * fall(i));
    const image = createImage({ width: 360, height: 270, unit: "adu", planes: [{ channel: "L", data }] });
    const out = extractGradient(image, { kind: "multiplicative" }).image.planes[0].data;
    const at = (x: number, y: number) => {
      let sum = 0;
      for (let j = y; j < y + 30; j++) sum += median(out.subarray(j * 360 + x, j * 360 + x + 30)) / 30;
      return sum;
    };
    expect(Math.abs(at(5, 5) / at(165, 120) - 1)).toBeLessThan(0.004);
  });
});

describe("divideSurface", () => {
  it("evens an uneven response and scales the variance with it", () => {
    const width = 240;
    const height = 180;
    const fall = (i: number) => {
      const u = (i % width) / width - 0.5;
      const v = Math.floor(i / width) / height - 0.5;
      return 1 - 0.4 * (u * u + v * v);
    };
    const data = Float32Array.from({ length: width * height }, (_, i) => 50 + 1000 * fall(i));
    const variance = [Float32Array.from(data, () => 4)];
    const image = createImage({ width, height, unit: "adu", planes: [{ channel: "L", data }], variance });
    const even = divideSurface(image, fitSurface(sampleBackground(image), { maximumDegree: 2 }), { pedestal: 50 });
    const out = even.planes[0].data;
    let low = Infinity;
    let high = -Infinity;
    for (const v of out) {
      low = Math.min(low, v);
      high = Math.max(high, v);
    }
    expect((high - low) / high).toBeLessThan(1e-3);
    const at = 5 * width + 5;
    const factor = (out[at] - 50) / (data[at] - 50);
    expect(even.variance?.[0][at]).toBeCloseTo(4 * factor * factor, 4);
  });

  it("refuses a surface of another size", () => {
    const surface = fitSurface(sampleBackground(constantImage(60, 40, 5)));
    expect(() => divideSurface(constantImage(50, 40, 5), surface)).toThrow("images must have one size");
    expect(() => subtractSurface(constantImage(60, 40, 5, { channels: ["R", "G"] }), surface)).toThrow(
      "must have 2 planes",
    );
  });
});

describe("models that the free samples do not determine", () => {
  const width = 240;
  const height = 180;
  // bent along the line on which all samples lie, so that a constant will not do and a spline is tried
  const data = Float32Array.from({ length: width * height }, (_, i) => {
    const x = i % width;
    return 100 + 40 * Math.sin(x / 20) + (i * 7919 % 11) / 10;
  });
  const image = createImage({ width, height, unit: "adu", planes: [{ channel: "L", data }] });
  const onOneLine = Array.from({ length: 20 }, (_, k) => ({ x: 10 + 11 * k, y: 90 }));

  it("drop out of the contest when all places lie on one line, and the notes say so", () => {
    const { image: even, surface } = extractGradient(image, { samples: { automatic: false, points: onOneLine } });
    expect(surface.notes.join("\n")).toMatch(/20 free samples do not determine .*a plane.*a thin-plate spline/);
    expect(surface.candidates.map(({ model, degree }) => [model, degree])).toEqual([["polynomial", 0]]);
    expect(surface.ranges[0]).toBe(0);
    expect(even.planes[0].data.every(Number.isFinite)).toBe(true);
  });

  it("leave a plain constant when nothing else was allowed", () => {
    const { surface } = extractGradient(image, {
      samples: { automatic: false, points: onOneLine },
      model: "thin-plate",
    });
    expect(surface.notes.join("\n")).toMatch(/a thin-plate spline: a plain constant was taken instead/);
    expect(surface.ranges[0]).toBe(0);
  });
});
