/** Covers linear_models.ts, polynomial_model.ts, robust_transform.ts and stats/least_squares.ts. */
import { describe, expect, it } from "vitest";
import { readFileSync } from "node:fs";
import { applyTransform, invertTransform } from "../../lib/core/transform.ts";
import { randomStream } from "../../lib/core/random.ts";
import { fitTransform, type PointPair } from "../../lib/register/fit_transform.ts";
import { ransacTrials } from "../../lib/register/robust_transform.ts";
import { leastSquares } from "../../lib/stats/least_squares.ts";
import { fTail, logBinomialTail } from "../../lib/stats/special_functions.ts";

const stored = JSON.parse(
  readFileSync(new URL("../../fixtures/register/transforms.json", import.meta.url), "utf8"),
);
type Place = readonly [number, number];
const pairsOf = (source: readonly Place[], reference: readonly Place[]): PointPair[] =>
  source.map(([x, y], i) => ({ source: { x, y }, reference: { x: reference[i][0], y: reference[i][1] } }));
const matrixOf = (pairs: readonly PointPair[], model: "similarity" | "affine" | "homography") => {
  const { transform } = fitTransform(pairs, { model, falseRejectionShare: 0 });
  if (transform.kind === "polynomial") throw new Error("no matrix");
  return transform.matrix;
};

describe("fitTransform", () => {
  it("finds a quarter turn that a person can check", () => {
    const pairs = pairsOf([[0, 0], [2, 0], [0, 1]], [[5, 5], [5, 7], [4, 5]]);
    expect(matrixOf(pairs, "similarity").map((each) => Math.round(each * 1e9) / 1e9 + 0)).toEqual(
      [0, -1, 5, 1, 0, 5, 0, 0, 1],
    );
  });

  // astroalign 2.6 (Beroiz et al. 2020) on 30 points of the Park & Miller stream, seed 9
  it("agrees with astroalign on a similarity", () => {
    const { source, reference, matrix } = stored.astroalign;
    const found = matrixOf(pairsOf(source, reference), "similarity");
    matrix.flat().forEach((each: number, i: number) => expect(Math.abs(found[i] - each)).toBeLessThan(1e-9));
  });

  // numpy least squares of an exact affine map gives the map itself
  it("recovers an affine map", () => {
    const { source, reference } = stored.affine;
    const found = matrixOf(pairsOf(source, reference), "affine");
    [1.01, 0.02, 3, -0.02, 0.99, -4].forEach((each, i) => expect(Math.abs(found[i] - each)).toBeLessThan(1e-9));
  });

  // Umeyama (1991) as scikit-image computes it; 1.0003918354 and −1.1422254243° also from scikit-image 0.19.3
  it("agrees with scikit-image on a similarity with residuals", () => {
    const { source, reference, scale, degrees, translation } = stored.similarity;
    const m = matrixOf(pairsOf(source, reference), "similarity");
    expect(Math.abs(Math.hypot(m[0], m[3]) - scale)).toBeLessThan(1e-9);
    expect(Math.abs(Math.hypot(m[0], m[3]) - 1.0003918354)).toBeLessThan(1e-8);
    expect(Math.abs(Math.atan2(m[3], m[0]) * 180 / Math.PI - degrees)).toBeLessThan(1e-9);
    expect(Math.abs(m[2] - translation[0])).toBeLessThan(1e-8);
    expect(Math.abs(m[5] - translation[1])).toBeLessThan(1e-8);
  });

  // scikit-image's ProjectiveTransform (Hartley 1997)
  it("agrees with scikit-image on a homography through four points", () => {
    const { source, reference, matrix } = stored.homography;
    const found = matrixOf(pairsOf(source, reference), "homography");
    matrix.flat().forEach((each: number, i: number) => expect(Math.abs(found[i] - each)).toBeLessThan(1e-9));
  });

  it("tells a mirrored frame, and is held upright when told so", () => {
    const source: Place[] = [[0, 0], [10, 0], [0, 10], [7, 3]];
    const pairs = pairsOf(source, source.map(([x, y]) => [100 - x, y]));
    expect(fitTransform(pairs, { model: "similarity" }).rmsPixels).toBeLessThan(1e-9);
    expect(fitTransform(pairs, { model: "similarity", mirror: false, falseRejectionShare: 0 }).rmsPixels)
      .toBeGreaterThan(1);
  });

  it("minimises the weighted squares: no small change of the map does better", () => {
    const random = randomStream(11);
    const pairs = Array.from({ length: 25 }, () => {
      const x = 500 * random.uniform();
      const y = 400 * random.uniform();
      const reference = { x: 0.9 * x - 0.3 * y + random.gaussian(), y: 0.3 * x + 0.9 * y + random.gaussian() };
      return { source: { x, y }, reference, weight: 0.1 + random.uniform() };
    });
    for (const model of ["similarity", "affine", "homography"] as const) {
      const m = matrixOf(pairs, model);
      const cost = (at: readonly number[]) =>
        pairs.reduce((sum, { source: { x, y }, reference, weight }) => {
          const d = at[6] * x + at[7] * y + 1;
          return sum + weight * ((at[0] * x + at[1] * y + at[2]) / d - reference.x) ** 2 +
            weight * ((at[3] * x + at[4] * y + at[5]) / d - reference.y) ** 2;
        }, 0);
      const free = model === "homography" ? 8 : model === "affine" ? 6 : 0;
      const steps = [1e-5, 1e-5, 1e-3, 1e-5, 1e-5, 1e-3, 1e-8, 1e-8];
      const moves = model === "similarity"
        ? [[1e-5, 0, 0, 0, 1e-5, 0, 0, 0], [0, -1e-5, 0, 1e-5, 0, 0, 0, 0], [0, 0, 1e-3, 0, 0, 0, 0, 0]]
        : steps.slice(0, free).map((step, i) => steps.map((_, k) => (k === i ? step : 0)));
      for (const move of moves) {
        for (const sign of [1, -1]) {
          expect(cost([...m].map((each, i) => each + sign * (move[i] ?? 0)))).toBeGreaterThan(cost(m));
        }
      }
    }
  });

  it("throws outliers out and keeps the good pairs", () => {
    const random = randomStream(3);
    const pairs = Array.from({ length: 60 }, (_, i) => {
      const x = 900 * random.uniform();
      const y = 700 * random.uniform();
      const wild = i % 5 === 0 ? 30 * random.gaussian() : 0;
      return {
        source: { x, y },
        reference: { x: x + 4 + 0.1 * random.gaussian() + wild, y: y - 2 + 0.1 * random.gaussian() },
      };
    });
    const { transform, kept, rmsPixels } = fitTransform(pairs, { model: "affine" });
    const p = applyTransform(transform, 450, 350);
    // 48 good pairs of 0.1 px: centre good to 0.1/√48 = 0.014 px a coordinate, four of these allowed
    expect(Math.hypot(p.x - 454, p.y - 348)).toBeLessThan(0.08);
    expect(kept.filter((each, i) => each && i % 5 !== 0).length).toBeGreaterThanOrEqual(46);
    expect(rmsPixels).toBeLessThan(0.2);
  });

  it("finds the map that three in five pairs agree on", () => {
    const random = randomStream(4);
    const pairs = Array.from({ length: 100 }, (_, i) => {
      const source = { x: 900 * random.uniform(), y: 700 * random.uniform() };
      const reference = i % 5 < 2
        ? { x: 900 * random.uniform(), y: 700 * random.uniform() }
        : { x: 900 - source.x + 0.1 * random.gaussian(), y: 700 - source.y + 0.1 * random.gaussian() };
      return { source, reference };
    });
    const { transform } = fitTransform(pairs, { model: "similarity" });
    const p = applyTransform(transform, 0, 0);
    expect(Math.hypot(p.x - 900, p.y - 700)).toBeLessThan(0.15);
  });

  it("finds a cubic distortion and its inverse", () => {
    const distort = (x: number, y: number) => {
      const u = (x - 500) / 500;
      const v = (y - 400) / 500;
      const r = u * u + v * v;
      return { x: 500 + 500 * u * (1 + 0.01 * r) + 2, y: 400 + 500 * v * (1 + 0.01 * r) - 3 };
    };
    const random = randomStream(8);
    const pairs = Array.from({ length: 200 }, () => {
      const source = { x: 1000 * random.uniform(), y: 800 * random.uniform() };
      const p = distort(source.x, source.y);
      return { source, reference: { x: p.x + 0.05 * random.gaussian(), y: p.y + 0.05 * random.gaussian() } };
    });
    const fit = fitTransform(pairs, { sourceSize: { width: 1000, height: 800 } });
    expect(fit.model).toBe("polynomial");
    expect(fit.parameters).toBe(20);
    const back = invertTransform(fit.transform);
    for (const [x, y] of [[0, 0], [999, 0], [500, 400], [999, 799], [0, 799], [250, 600]]) {
      const p = applyTransform(fit.transform, x, y);
      const truth = distort(x, y);
      const q = applyTransform(back, p.x, p.y);
      // 20 coefficients from 400 coordinates of 0.05 px: 0.011 px on average, several times that in a corner
      expect(Math.hypot(p.x - truth.x, p.y - truth.y)).toBeLessThan(0.08);
      expect(Math.hypot(q.x - x, q.y - y)).toBeLessThan(0.01);
    }
  });

  it("stays with the stiffest map that explains the pairs", () => {
    let supple = 0;
    for (let seed = 0; seed < 100; seed++) {
      const random = randomStream(`stiff ${seed}`);
      const pairs = Array.from({ length: 80 }, () => {
        const x = 1000 * random.uniform();
        const y = 800 * random.uniform();
        const reference = {
          x: x * 0.99 - y * 0.05 + 0.1 * random.gaussian(),
          y: x * 0.05 + y * 0.99 + 0.1 * random.gaussian(),
        };
        return { source: { x, y }, reference };
      });
      if (fitTransform(pairs, { sourceSize: { width: 1000, height: 800 } }).model !== "similarity") supple++;
    }
    // four comparisons at 1 %: about 4 in 100 are taken in, 12 would be four sigma
    expect(supple).toBeLessThanOrEqual(12);
  });

  it("names what is wrong", () => {
    const one = pairsOf([[0, 0]], [[1, 1]]);
    const line = pairsOf([[0, 0], [1, 0], [2, 0]], [[0, 0], [1, 0], [2, 0]]);
    expect(() => fitTransform(one, { model: "affine" })).toThrow(
      "fitTransform: pairs must be at least 3 for the affine map, but got 1; use a stiffer model",
    );
    expect(() => fitTransform(line, { model: "affine" })).toThrow(/must determine the affine map/);
    expect(() => fitTransform(line, { degree: 4 })).toThrow("fitTransform: degree must be 2 or 3, but got 4");
    expect(() => fitTransform(pairsOf([[NaN, 0], [1, 1]], [[0, 0], [1, 1]]))).toThrow(/must be finite, but pair 0/);
    expect(() => fitTransform([{ ...one[0], weight: 0 }, one[0]])).toThrow(/weights must be > 0/);
  });
});

describe("numbers behind the fits", () => {
  // scipy.stats.f.sf and binom.logsf
  it("agree with scipy", () => {
    for (const [f, d1, d2, tail] of stored.fTail) expect(Math.abs(fTail(f, d1, d2) / tail - 1)).toBeLessThan(1e-10);
    for (const [k, n, p, log] of stored.binomialTail) {
      // an upper bound, tight to a few per cent of the chance in the far tail
      const ours = logBinomialTail(k, n, p);
      expect(ours).toBeGreaterThanOrEqual(log - 1e-9);
      expect(ours - log).toBeLessThan(0.05);
    }
  });

  // Fischler & Bolles 1981: p = 0.99, half of the data good, samples of 2, 3, 4
  it("count RANSAC draws as published", () => {
    expect([2, 3, 4].map((size) => ransacTrials(0.99, 0.5, size))).toEqual([17, 35, 72]);
  });

  it("solve a 3 × 2 least-squares problem done by hand", () => {
    // y = 1, 2, 4 at x = 0, 1, 2: intercept 5/6, slope 3/2
    const solution = leastSquares(Float64Array.of(1, 0, 1, 1, 1, 2), Float64Array.of(1, 2, 4), 3, 2, 1);
    expect(solution![0]).toBeCloseTo(5 / 6, 12);
    expect(solution![1]).toBeCloseTo(1.5, 12);
    expect(leastSquares(Float64Array.of(1, 1, 1, 1), Float64Array.of(1, 2), 2, 2, 1)).toBe(null);
  });
});
