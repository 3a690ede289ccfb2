/**
 * Covers core/canvas.ts, stack_options.ts, frame_to_stack.ts, frame_levels.ts, plan_tiles.ts, run_stack.ts,
 * stack_tile.ts, tile_samples.ts, fill_strips.ts, frame_scatter.ts, judge_strip.ts, finish_stack.ts and
 * combine_frames.ts.
 */
import { afterAll, describe, expect, it } from "vitest";
import type { FrameToStack } from "../../lib/stack/frame_to_stack.ts";
import { stackFrames } from "../../lib/stack/stack_frames.ts";
import { combineFrames } from "../../lib/stack/combine_frames.ts";
import { combineImages, stackImages } from "../../lib/stack/stack_images.ts";
import { stackParameters } from "../../lib/stack/stack_options.ts";
import { intersectionCanvas, referenceCanvas, rescaleCanvas, unionCanvas } from "../../lib/core/canvas.ts";
import { plainGeometry } from "../../lib/core/geometry.ts";
import { cardNumber } from "../../lib/core/header.ts";
import { constantImage, createImage, type Image } from "../../lib/core/image.ts";
import { createMask, maskBit } from "../../lib/core/mask.ts";
import { invertTransform, type Matrix3, type SimilarityTransform } from "../../lib/core/transform.ts";
import { randomStream } from "../../lib/core/random.ts";
import { writeFits } from "../../lib/io/write_fits.ts";
import { prepareCorrection } from "../../lib/calibrate/prepare_correction.ts";
import { calibrateFrame } from "../../lib/calibrate/calibrate_frame.ts";
import { demosaic } from "../../lib/calibrate/demosaic.ts";
import { setKernelKind } from "../../lib/kernels/machine.ts";
import { setWorkerCount } from "../../lib/parallel/pool.ts";
import { inFolder } from "../io/fixtures.ts";
import { imageOf, moments, noisy, storedValues } from "../calibrate/support.ts";
import { gauss } from "../support/numbers.ts";
import { drawStars, testProfile } from "../support/scenes.ts";
import { truncateSync } from "node:fs";

const w = 96;
const h = 64;
const series = (count: number, level = 100, sigma = 10) =>
  Array.from({ length: count }, (_, k) => imageOf(w, h, noisy(w, h, level, sigma, `light ${k}`)));
const shift = (dx: number, dy: number): SimilarityTransform => ({
  kind: "similarity",
  matrix: [1, 0, dx, 0, 1, dy, 0, 0, 1],
});
const turn = (degrees: number, cx: number, cy: number): SimilarityTransform => {
  const c = Math.cos(degrees * Math.PI / 180);
  const s = Math.sin(degrees * Math.PI / 180);
  const matrix: Matrix3 = [c, -s, cx - c * cx + s * cy, s, c, cy - s * cx - c * cy, 0, 0, 1];
  return { kind: "similarity", matrix };
};
const plane = (image: Image, k = 0) => image.planes[k].data;
const worst = (a: Float32Array, b: ArrayLike<number>) =>
  a.reduce((most, value, p) => Math.max(most, Math.abs(value - b[p])), 0);

describe("stackFrames: the mean and its noise", () => {
  it("follows σ/√N, predicts it in the variance, and shows it in the halves", () => {
    for (const count of [4, 9, 25]) {
      const { image, halfA, halfB } = stackImages(series(count));
      const pixels = w * h;
      const expected = 10 / Math.sqrt(count);
      const error = 4 / Math.sqrt(2 * pixels);
      const { mean, sd } = moments(plane(image));
      expect(Math.abs(mean - 100)).toBeLessThan(4 * expected / Math.sqrt(pixels));
      // 0.2 % of the good samples are lost, which raises the noise by half as much at most.
      expect(sd / expected).toBeGreaterThan(1 - error);
      expect(sd / expected).toBeLessThan(1 + error + 0.02);
      // Scatter of n values after the tails are cut: a little low, and 1/√(2(n−1)) uncertain for each pixel.
      expect(Math.abs(Math.sqrt(moments(image.variance?.[0] ?? []).mean) / expected - 1)).toBeLessThan(0.04);
      const difference = plane(halfA).map((value, p) => value - plane(halfB)[p]);
      const halves = Math.sqrt(1 / Math.ceil(count / 2) + 1 / Math.floor(count / 2));
      expect(Math.abs(moments(difference).sd / (10 * halves) - 1)).toBeLessThan(error + 0.02);
    }
  });

  it("makes halves that are independent: their noise does not correlate", () => {
    const { halfA, halfB } = stackImages(series(16));
    const a = plane(halfA).map((value) => value - 100);
    const b = plane(halfB).map((value) => value - 100);
    const product = moments(a.map((value, p) => value * b[p])).mean / (moments(a).sd * moments(b).sd);
    expect(Math.abs(product)).toBeLessThan(4 / Math.sqrt(w * h));
  });

  // 10, 10.5, 9.7 with weights 0.1, 0.3, 0.2: 9.98571429 ± 0.0857 × … by the formula of the weighted mean.
  it("weights as told", () => {
    const frames = [10, 10.5, 9.7].map((level) => constantImage(2, 2, level));
    const { image, weight } = stackImages(frames, { weights: [0.1, 0.3, 0.2], rejection: "none" });
    expect(plane(image)[0]).toBeCloseTo((10 * 0.1 + 10.5 * 0.3 + 9.7 * 0.2) / 0.6, 5);
    expect(plane(weight)[0]).toBeCloseTo(0.6, 6);
  });

  // Two frames of sigma 1 and 2: equal weights give 1.118034, weights 1/σ² give 0.894427 (formula).
  it("gains from weights as the formula says", () => {
    const pair = [1, 2].map((sigma) => imageOf(w, h, noisy(w, h, 50, sigma, `pair ${sigma}`)));
    const sd = (weights: number[]) => moments(plane(stackImages(pair, { weights, rejection: "none" }).image)).sd;
    expect(Math.abs(sd([1, 1]) / 1.118034 - 1)).toBeLessThan(4 / Math.sqrt(2 * w * h));
    expect(Math.abs(sd([1, 0.25]) / 0.894427 - 1)).toBeLessThan(4 / Math.sqrt(2 * w * h));
  });

  it("does not depend on the order of the frames beyond float rounding", () => {
    const frames = series(12);
    frames[3].planes[0].data[70] += 500;
    const there = stackImages(frames);
    const back = stackImages(frames.toReversed());
    expect(worst(plane(there.image), plane(back.image))).toBeLessThan(2e-5);
    expect(plane(back.rejections, 1)).toEqual(plane(there.rejections, 1));
  });

  it("gives the same bytes for any size of tile", () => {
    const frames = series(12);
    for (let x = 10; x < 80; x++) frames[2].planes[0].data[(10 + (x >> 1)) * w + x] += 200;
    const transforms = frames.map((_, k) => turn(3 * k, 40, 30));
    const whole = stackImages(frames, { registration: { transforms } });
    const tiled = combineImages(frames, { registration: { transforms } }, { workerBytes: 2 ** 20 });
    // The smallest memory allowed holds this canvas in one tile, so that a wide stack is cut below as well.
    expect(plane(tiled.image)).toEqual(plane(whole.image));
    const many = Array.from({ length: 120 }, (_, k) => frames[k % 12]);
    const one = stackImages(many);
    const cut = combineImages(many, {}, { workerBytes: 2 ** 20 });
    expect(cut.report.tiles).toBeGreaterThan(one.report.tiles);
    for (const part of ["image", "halfA", "halfB", "weight", "coverage", "rejections"] as const) {
      cut[part].planes.forEach((each, k) => expect(each.data).toEqual(one[part].planes[k].data));
    }
    expect(cut.image.variance).toEqual(one.image.variance);
  });

  it("keeps photometry linear: stars of the stack hold their flux times the mean transparency", () => {
    const random = randomStream("photometry");
    const stars = Array.from(
      { length: 12 },
      (_, k) => ({ x: 14 + 22 * (k % 4), y: 12 + 18 * Math.floor(k / 4), flux: 500 * 2 ** (k / 2) }),
    );
    const moves = Array.from({ length: 10 }, () => ({ dx: 3 * random.uniform(), dy: 3 * random.uniform() }));
    const frames = moves.map(({ dx, dy }, k) => {
      const data = noisy(w, h, 100, 2, `p ${k}`);
      drawStars(data, w, h, stars.map((star) => ({ ...star, x: star.x + dx, y: star.y + dy })), {
        ...testProfile,
        fwhm: 3,
        beta: 4,
      });
      return imageOf(w, h, data);
    });
    const { image } = stackImages(frames, {
      registration: { transforms: moves.map(({ dx, dy }) => shift(-dx, -dy)) },
    });
    const truth = new Float32Array(w * h);
    drawStars(truth, w, h, stars, { ...testProfile, fwhm: 3, beta: 4 });
    const flux = (data: Float32Array, sky: number, x: number, y: number) => {
      let sum = 0;
      for (let j = -6; j <= 6; j++) for (let i = -6; i <= 6; i++) sum += data[(y + j) * w + x + i] - sky;
      return sum;
    };
    let xy = 0;
    let xx = 0;
    for (const { x, y } of stars) {
      const t = flux(truth, 0, x, y);
      const m = flux(plane(image), 100, x, y);
      xy += t * m;
      xx += t * t;
    }
    expect(Math.abs(xy / xx - 1)).toBeLessThan(0.003);
  });
});

describe("stackFrames: workers", () => {
  afterAll(() => setWorkerCount(0));
  it("gives the same bytes for none, one, two and three workers and for the plain twin", () => {
    const many = Array.from({ length: 120 }, (_, k) => imageOf(w, h, noisy(w, h, 100, 10, `w ${k % 10}`)));
    for (let x = 10; x < 80; x++) many[2].planes[0].data[(10 + (x >> 1)) * w + x] += 200;
    const transforms = many.map((_, k) => turn(0.3 * k, 40, 30));
    const run = (workers: number, kind: "wasm" | "twin" = "wasm") => {
      setWorkerCount(workers);
      setKernelKind(kind);
      const stack = combineImages(many, { registration: { transforms } }, { workerBytes: 2 ** 20 });
      setKernelKind("wasm");
      return stack;
    };
    const alone = run(0);
    expect(alone.report.tiles).toBeGreaterThan(3);
    for (const other of [run(1), run(2), run(3), run(0, "twin")]) {
      for (const part of ["image", "halfA", "halfB", "weight", "coverage", "rejections"] as const) {
        other[part].planes.forEach((each, k) => expect(each.data).toEqual(alone[part].planes[k].data));
      }
      expect(other.image.variance).toEqual(alone.image.variance);
    }
  });
});

describe("stackFrames: rejection", () => {
  // ccdproc 2.5.1 Combiner with clipping at 10 MAD sigma, through fixtures/combine/generate.py: the same gross
  // outliers go.
  it("agrees with ccdproc's clipped mean and weighted mean", () => {
    const frames = Array.from({ length: 15 }, (_, k) => {
      const data = gauss(80, 100 + k).map((z) => 500 + 4 * z);
      data[(k % 8) * 10 + (3 * k) % 10] += k % 3 ? 400 : -300;
      return imageOf(10, 8, data);
    });
    const options = { rejection: { falseRejectionShare: 1e-6, trailNeighbours: 9 } };
    const { mean, weighted } = storedValues().combiner;
    const { image, report } = stackImages(frames, options);
    // float32 samples near 500 against float64 ones: half a unit in the last place is 3e-5.
    expect(worst(plane(image), mean)).toBeLessThan(3e-5);
    expect([report.dimmerShare * 15 * 80, report.brighterShare * 15 * 80].map(Math.round)).toEqual([5, 10]);
    const weights = frames.map((_, k) => 1 + 0.25 * k);
    expect(worst(plane(stackImages(frames, { ...options, weights }).image), weighted)).toBeLessThan(4e-5);
  });

  it("loses the share of good samples that it promises, on each side, from 8 to 100 frames", () => {
    for (const count of [8, 12, 40, 100]) {
      for (const falseRejectionShare of [0.001, 0.01]) {
        const { dimmerShare, brighterShare } =
          stackImages(series(count), { rejection: { falseRejectionShare, trailNeighbours: 9 } }).report;
        const samples = count * w * h;
        const error = 4 * Math.sqrt(falseRejectionShare / samples) + 0.04 * falseRejectionShare;
        expect(Math.abs(dimmerShare - falseRejectionShare)).toBeLessThan(error);
        expect(Math.abs(brighterShare - falseRejectionShare)).toBeLessThan(error);
      }
    }
  });

  it("takes satellites and dropouts out and counts them on the right side", () => {
    for (const count of [3, 5, 10, 30]) {
      const frames = series(count);
      for (let x = 5; x < 90; x++) frames[1].planes[0].data[(8 + (x >> 1)) * w + x] += 300;
      for (let y = 5; y < 60; y++) frames[2].planes[0].data[y * w + 3] -= 300;
      const { image, rejections } = stackImages(frames);
      for (let x = 5; x < 90; x++) {
        const p = (8 + (x >> 1)) * w + x;
        expect(plane(rejections, 1)[p]).toBeGreaterThanOrEqual(1);
        expect(Math.abs(plane(image)[p] - 100)).toBeLessThan(6 * 10 / Math.sqrt(count - 1));
      }
      for (let y = 5; y < 60; y++) expect(plane(rejections, 0)[y * w + 3]).toBeGreaterThanOrEqual(1);
    }
  });

  it("closes the faint edge of a trail", () => {
    const frames = series(10);
    for (let y = 5; y < 60; y++) {
      for (const [dx, add] of [[0, 300], [1, 300], [2, 15]]) frames[4].planes[0].data[y * w + 40 + dx] += add;
    }
    const edge = (trailNeighbours: number) => {
      const { rejections, report } = stackImages(frames, { rejection: { trailNeighbours } });
      let hit = 0;
      for (let y = 6; y < 59; y++) hit += plane(rejections, 1)[y * w + 42];
      return { hit, closed: report.closed };
    };
    expect(edge(9).closed).toBe(0);
    expect(edge(9).hit).toBeLessThan(15);
    expect(edge(3).hit).toBeGreaterThanOrEqual(53);
    expect(edge(3).closed).toBeGreaterThan(90);
  });

  it("of two takes the smaller where they differ by more than noise, else the mean", () => {
    const pair = series(2);
    pair[1].planes[0].data[50] = 2000;
    const { image } = stackImages(pair);
    expect(plane(image)[50]).toBe(plane(pair[0])[50]);
    expect(plane(image)[51]).toBeCloseTo((plane(pair[0])[51] + plane(pair[1])[51]) / 2, 4);
    expect(moments(plane(image)).sd).toBeLessThan(10 / Math.sqrt(2) * 1.05);
  });

  it("keeps star cores that seeing changes from frame to frame, few frames or many", () => {
    const stars = [{ x: 48, y: 32, flux: 60000 }];
    for (const count of [4, 12]) {
      const frames = series(count, 100, 5).map((frame, k) => {
        drawStars(frame.planes[0].data, w, h, stars, { ...testProfile, fwhm: 3 + 0.06 * (k % 3) });
        return frame;
      });
      const { rejections } = stackImages(frames);
      let lost = 0;
      for (let y = 29; y <= 35; y++) {
        for (let x = 45; x <= 51; x++) lost += plane(rejections, 0)[y * w + x] + plane(rejections, 1)[y * w + x];
      }
      expect(lost / (49 * count)).toBeLessThan(0.02);
    }
  });

  it("keeps at least max(3, n/2) of n samples, whatever they are", () => {
    const random = randomStream("wild");
    for (const count of [4, 6, 9, 14]) {
      const frames = Array.from(
        { length: count },
        () => imageOf(32, 32, Float32Array.from({ length: 1024 }, () => Math.tan(Math.PI * (random.uniform() - 0.5)))),
      );
      const { rejections, coverage } = stackImages(frames);
      for (let p = 0; p < 1024; p++) {
        const kept = plane(coverage)[p] - plane(rejections, 0)[p] - plane(rejections, 1)[p];
        expect(kept).toBeGreaterThanOrEqual(Math.max(3, count / 2));
      }
    }
  });

  it("treats the order of two equal outliers alike and never rejects equal samples", () => {
    const { rejections } = stackImages(Array.from({ length: 9 }, () => constantImage(4, 4, 123.456)));
    expect(Math.max(...plane(rejections, 0), ...plane(rejections, 1))).toBe(0);
  });
});

describe("stackFrames: places", () => {
  it("puts shifted frames on the reference, exactly for whole pixels", () => {
    const base = imageOf(w, h, noisy(w, h, 100, 10, "base"));
    const moved = imageOf(
      w,
      h,
      Float32Array.from({ length: w * h }, (_, p) => {
        const x = p % w + 3;
        const y = Math.floor(p / w) - 2;
        return x < w && y >= 0 ? plane(base)[y * w + x] : 0;
      }),
    );
    const { image, coverage } = stackImages([base, moved], {
      registration: { transforms: [shift(0, 0), shift(3, -2)] },
    });
    for (let y = 0; y < h - 2; y++) {
      for (let x = 3; x < w; x++) expect(plane(image)[y * w + x]).toBe(plane(base)[y * w + x]);
    }
    expect(plane(coverage)[0]).toBe(1);
    expect(plane(coverage)[40 * w + 50]).toBe(2);
  });

  it("undoes a rotation with half a turn, as after a meridian flip", () => {
    const base = imageOf(w, h, noisy(w, h, 100, 10, "flip"));
    const flipped = imageOf(w, h, Float32Array.from(plane(base)).reverse());
    const matrix: Matrix3 = [-1, 0, w - 1, 0, -1, h - 1, 0, 0, 1];
    const { image } = stackImages([base, flipped], {
      registration: { transforms: [shift(0, 0), { kind: "similarity", matrix }] },
    });
    expect(worst(plane(image), plane(base))).toBe(0);
  });

  it("grows to the union, shrinks to the intersection, and keeps the sky coordinates true", () => {
    const wcs = {
      ctype: ["RA---TAN", "DEC--TAN"] as const,
      referencePixel: { x: 10, y: 20 },
      referenceDegrees: [83, -5] as const,
      cd: [-1e-3, 0, 0, 1e-3] as const,
    };
    const frames = series(3).map((frame) => ({ ...frame, geometry: { ...plainGeometry, wcs, arcsecPerPixel: 3.6 } }));
    const transforms = [shift(0, 0), shift(-10.5, 4), shift(6, 8)];
    const canvas = referenceCanvas(frames[0]);
    const outlines = transforms.map((transform) => ({
      width: w,
      height: h,
      transform,
      inverse: invertTransform(transform),
    }));
    const union = stackImages(frames, { registration: { transforms }, canvas: unionCanvas(canvas, outlines) }).image;
    expect([union.width, union.height]).toEqual([w + 16, h + 8]);
    expect(union.geometry.origin).toEqual({ x: -10, y: 0 });
    expect(union.geometry.wcs?.referencePixel).toEqual({ x: 20, y: 20 });
    const inner = stackImages(frames, {
      registration: { transforms },
      canvas: intersectionCanvas(canvas, outlines, 1, 1),
    });
    expect([inner.image.width, inner.image.height]).toEqual([w - 17, h - 8]);
    expect(Math.min(...plane(inner.coverage))).toBe(3);
    const fine = stackImages(frames, { canvas: rescaleCanvas(canvas, 0.5) }).image;
    expect([fine.width, fine.geometry.arcsecPerPixel, fine.geometry.wcs?.cd[0]]).toEqual([2 * w, 1.8, -5e-4]);
    expect(fine.geometry.wcs?.referencePixel).toEqual({ x: 20.5, y: 40.5 });
  });

  it("marks pixels without data and those saturated in half of the frames", () => {
    const frames = series(4).map((frame, k) => {
      const mask = createMask(w, h);
      if (k < 2) mask[500] = maskBit.saturated;
      if (k < 1) mask[600] = maskBit.saturated;
      return { ...frame, mask };
    });
    const { image } = stackImages(frames, { registration: { transforms: frames.map(() => shift(2, 0)) } });
    expect(image.mask?.[0]).toBe(maskBit.noData);
    expect(plane(image)[0]).toBeNaN();
    expect(image.mask?.[502]).toBe(maskBit.saturated);
    expect(image.mask?.[602]).toBe(0);
  });

  it("applies scale and offset surfaces where the reference says", () => {
    const surface = {
      gridWidth: 2,
      gridHeight: 1,
      tilePixels: 48,
      scale: [Float32Array.of(1, 3)],
      offset: [Float32Array.of(5, 5)],
    };
    const { image } = stackImages([constantImage(w, h, 10)], { normalisations: [surface] });
    // Nodes at 23.5 and 71.5: half-way between them the factor is 2.
    expect(plane(image)[47]).toBeCloseTo(10 * (1 + 2 * 23.5 / 48) + 5, 3);
  });
});

describe("stackFrames: files", () => {
  const night = (folder: string, count: number, bayer: "GRBG" | null) => {
    const dark = imageOf(w, h, noisy(w, h, 120, 1, "dark"), bayer);
    const flat = imageOf(w, h, noisy(w, h, 1, 0.02, "flat"), bayer);
    const defects = createMask(w, h);
    defects[1234] = defects[1235] = maskBit.defect;
    const frames = Array.from({ length: count }, (_, k) => {
      const data = noisy(w, h, 600, 20, `file ${k}`).map(Math.round);
      data[1234] = 60000;
      const image = imageOf(w, h, data, bayer);
      const path = `${folder}/light_${k}.fits`;
      writeFits(path, image, { bitpix: 16 });
      return { image, path };
    });
    return { frames, masters: { dark, flat, defects } };
  };

  it.each([null, "GRBG"] as const)("gives from raw files what the steps give one by one (%s)", (bayer) => {
    inFolder((folder) => {
      const { frames, masters } = night(folder, 9, bayer);
      const correction = prepareCorrection(frames[0].image, masters);
      const transforms = frames.map((_, k) => turn(2 * k, 50, 30));
      const canvas = referenceCanvas(frames[0].image);
      // Told, because measured on raw samples and on interpolated ones the noise would differ.
      const noise = { noise: [20, 20, 20], electronsPerAdu: 1e12 };
      const files = combineFrames(
        frames.map(({ path }, k) => ({ source: path, transform: transforms[k], correction, bayer, ...noise })),
        canvas,
        stackParameters({ rejection: { seeing: 0 } }, { workerBytes: 2 ** 20 }),
      );
      const steps = frames.map(({ image }) => {
        const calibrated = calibrateFrame(image, masters);
        return bayer === null ? calibrated : demosaic(calibrated);
      });
      const images = stackFrames(
        steps.map((source, k) => ({ source, transform: transforms[k], ...noise })),
        canvas,
        { rejection: { seeing: 0 } },
      );
      expect(files.image.planes.map((each) => each.channel)).toEqual(bayer === null ? ["L"] : ["R", "G", "B"]);
      images.image.planes.forEach((each, k) => expect(plane(files.image, k)).toEqual(each.data));
      expect(cardNumber(files.image.header, "NCOMBINE")).toBe(9);
    });
  });

  it("lists what cannot be used, also a file that breaks off, and goes on without it", () => {
    inFolder((folder) => {
      const { frames } = night(folder, 6, null);
      writeFits(`${folder}/odd.fits`, constantImage(10, 10, 1));
      truncateSync(frames[4].path, 2880 + w * h);
      const list: FrameToStack[] = [
        ...frames.map(({ path }) => ({ source: path })),
        { source: `${folder}/missing.fits` },
        { source: `${folder}/odd.fits`, correction: prepareCorrection(frames[0].image, {}) },
        { source: frames[0].path, weight: 0, name: "unwanted" },
      ];
      const { report, image } = stackFrames(list, referenceCanvas(frames[0].image));
      expect(report.frames).toHaveLength(5);
      expect(report.rejected.map((each) => each.name)).toEqual([
        frames[4].path,
        `${folder}/missing.fits`,
        `${folder}/odd.fits`,
        "unwanted",
      ]);
      expect(report.rejected[2].reason).toContain("has 10 × 10 pixels where its calibration has 96 × 64");
      expect(Math.abs(moments(plane(image)).mean - 600)).toBeLessThan(20);
    });
  });
});

describe("stackFrames: misuse", () => {
  it("says what is wrong", () => {
    const frames = [{ source: constantImage(4, 4, 1) }];
    const canvas = referenceCanvas(frames[0].source);
    expect(() => stackFrames([], canvas)).toThrow("frames must hold at least one frame");
    expect(() => stackFrames(frames, canvas, { rejection: { falseRejectionShare: 0.2 } })).toThrow(
      "falseRejectionShare must lie above 0 and at most at 0.1",
    );
    expect(() => stackFrames(frames, canvas, { rejection: { structure: -1 } })).toThrow("structure must be ≥ 0");
    expect(() => stackFrames([{ source: frames[0].source, weight: NaN }], canvas)).toThrow(
      "weight must be a number ≥ 0",
    );
    expect(() => stackFrames([...frames, { source: constantImage(4, 4, 1, { channels: ["R", "G", "B"] }) }], canvas))
      .toThrow(
        "all frames must have the channels L, but frame 2 has R, G, B",
      );
    expect(() => stackFrames([{ source: constantImage(4, 4, 1, { unit: "display" }) }], canvas)).toThrow(
      "must be linear",
    );
    expect(() => stackFrames([{ source: "/nowhere.fits" }], canvas)).toThrow("none of 1 is");
    expect(() => stackImages([frames[0].source], { weights: [1, 2] })).toThrow(
      "weights must have one entry for each of 1",
    );
    expect(() => createImage({ width: 0, height: 1, unit: "adu", planes: [] })).toThrow();
  });
});
