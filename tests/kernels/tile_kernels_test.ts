/** Covers correct.ts, mosaic.ts, rejection.ts, sum_kept.ts and moderate.ts. */
import { afterAll, describe, expect, it } from "vitest";
import { borrowPlane } from "../../lib/core/memory.ts";
import { randomStream } from "../../lib/core/random.ts";
import { correctSamples } from "../../lib/kernels/correct.ts";
import { kernelKind, setKernelKind } from "../../lib/kernels/machine.ts";
import { groupedPixels, moderatedCentres, moderatedVerdicts } from "../../lib/kernels/moderate.ts";
import { demosaicTile } from "../../lib/kernels/mosaic.ts";
import { huberVerdicts, leastKept, type Strip, verdict } from "../../lib/kernels/rejection.ts";
import { sumKept } from "../../lib/kernels/sum_kept.ts";
import { huberEstimate, huberLimits } from "../../lib/stats/huber.ts";
import { moderatedLimits } from "../../lib/stats/moderated_limit.ts";

const random = randomStream("tile kernels");
const both = <T>(run: () => T): { wasm: T; twin: T } => {
  setKernelKind("wasm");
  const wasm = run();
  setKernelKind("twin");
  const twin = run();
  setKernelKind("wasm");
  return { wasm, twin };
};
afterAll(() => setKernelKind("wasm"));

describe("huberVerdicts: kernel and twin", () => {
  const strip = (frames: number, count: number, holes: number, wild: number): Strip => {
    const stride = Math.ceil(count / 32) * 32 + 16;
    const samples = new Float32Array(frames * stride);
    for (let f = 0; f < frames; f++) {
      for (let p = 0; p < count; p++) {
        const x = 1000 + 10 * random.gaussian() + (random.uniform() < wild ? 3000 * random.gaussian() : 0);
        samples[f * stride + p] = random.uniform() < holes ? NaN : x;
      }
    }
    return { samples, frames, stride, count };
  };

  it("agree on every verdict, with holes, outliers and odd sizes", () => {
    for (
      const [frames, count, holes, wild, floor] of [
        [9, 77, 0, 0.05, 0],
        [30, 64, 0.3, 0.1, 0.3],
        [12, 5, 0.9, 0.5, 0],
        [100, 200, 0.01, 0.3, 0],
      ]
    ) {
      const one = strip(frames, count, holes, wild);
      const limits = huberLimits(frames, 0.001, 8);
      const { wasm, twin } = both(() => {
        const verdicts = new Uint8Array(frames * one.stride);
        huberVerdicts(one, limits, floor, verdicts);
        return Array.from(
          { length: frames },
          (_, f) => Array.from(verdicts.subarray(f * one.stride, f * one.stride + count)),
        );
      });
      expect(wasm).toEqual(twin);
      if (holes < 0.5) expect(wasm.flat().some((value) => value === verdict.brighter)).toBe(true);
      for (let p = 0; p < count; p++) {
        const mine = wasm.map((row) => row[p]);
        const n = mine.filter((value) => value !== verdict.missing).length;
        expect(mine.filter((value) => value === verdict.keep).length).toBeGreaterThanOrEqual(leastKept(n));
      }
    }
  });

  it("moderatedCentres and moderatedVerdicts: kernel and twin agree to the last bit, with and without known noise", () => {
    for (
      const [frames, count, holes, wild] of [[9, 77, 0, 0.05], [30, 64, 0.3, 0.1], [3, 5, 0.4, 0.5], [
        60,
        200,
        0.01,
        0.3,
      ]]
    ) {
      const one = strip(frames, count, holes, wild);
      const plane = groupedPixels(count);
      const base = new Float32Array(plane).fill(100);
      const level = new Float32Array(plane).fill(998);
      const ratios = Float32Array.from({ length: frames }, () => 0.7 + random.uniform());
      for (const known of [true, false]) {
        const noise = { base: known ? base : null, level: known ? level : null, perUnit: 0.4, prior: 32, ratios };
        const { wasm, twin } = both(() => {
          const data = new Float32Array(3 * plane);
          const verdicts = new Uint8Array(frames * one.stride);
          const centres = moderatedCentres(one, noise, moderatedLimits(frames, 0.001), data);
          const tolerance = Float32Array.from({ length: plane }, (_, p) => p % 5);
          moderatedVerdicts(one, centres, tolerance, ratios, verdicts);
          const planes = [0, 1, 2].map((k) => Array.from(data.subarray(k * plane, k * plane + count)));
          return [
            ...planes,
            ...Array.from({ length: frames }, (_, f) => [...verdicts.subarray(f * one.stride, f * one.stride + count)]),
          ];
        });
        expect(wasm).toEqual(twin);
      }
    }
  });

  it("find the outlier that references find", () => {
    const values = [10.1, 9.8, 10.0, 10.2, 9.9, 10.05, 9.95, 30, 10.15, 9.85];
    const frames = values.length;
    const stride = 48;
    const samples = new Float32Array(frames * stride);
    values.forEach((x, k) => samples.fill(x, k * stride, (k + 1) * stride));
    const one = { samples, frames, stride, count: 8 };
    const ratios = new Float32Array(frames).fill(1);
    // Huber's location 10.0304 and scale 0.18245 (statsmodels 0.13.5); the mean of the others 10.0 with the variance
    // s² / 9 = 0.01875 / 9 (by hand).
    const noise = { base: null, level: null, perUnit: 0, prior: 0, ratios };
    const { wasm, twin } = both(() => {
      const centres = moderatedCentres(one, noise, new Float32Array(frames + 1).fill(3), new Float32Array(24));
      const verdicts = new Uint8Array(frames * stride);
      moderatedVerdicts(one, centres, new Float32Array(8), ratios, verdicts);
      const memory = { values: new Float32Array(40), counts: new Float32Array(24) };
      return { centres, sums: sumKept(one, verdicts, new Float64Array(frames).fill(1), memory) };
    });
    for (const { centres, sums } of [wasm, twin]) {
      expect(centres.data[0]).toBeCloseTo(10.0304, 3);
      expect(centres.data[8] / 3).toBeCloseTo(0.18245, 3);
      expect(sums.mean[3]).toBeCloseTo(10, 5);
      expect([sums.weight[3], sums.dimmer[3], sums.brighter[3]]).toEqual([9, 0, 1]);
      expect(sums.variance[3]).toBeCloseTo(0.01875 / 9, 6);
    }
  });

  it("moderatedCentres follows Smyth's formula", () => {
    // −0.5, 0, 0.5 with a known variance of 1: s² = (0.5 / 0.7784652 + 32 · 1) / (2 + 32) = 0.9600674 (by hand).
    const samples = new Float32Array(3 * 48);
    const one = { samples, frames: 3, stride: 48, count: 1 };
    samples[0] = -0.5;
    samples[96] = 0.5;
    const noise = {
      base: new Float32Array(8).fill(1),
      level: new Float32Array(8),
      perUnit: 0,
      prior: 32,
      ratios: new Float32Array(3).fill(1),
    };
    const { wasm, twin } = both(() =>
      moderatedCentres(one, noise, new Float32Array(4).fill(1), new Float32Array(24)).data.slice()
    );
    for (const data of [wasm, twin]) {
      expect(data[0]).toBeCloseTo(0, 6);
      expect(data[8]).toBeCloseTo(Math.sqrt(0.9600674), 5);
      expect(data[16]).toBeCloseTo(Math.sqrt(0.9600674 / 3), 5);
    }
  });

  it("sumKept: kernel and twin agree to the last bit, and with sums by hand", () => {
    for (const [frames, count, holes] of [[7, 77, 0.1], [30, 64, 0.5], [2, 5, 0.4], [1, 3, 0]]) {
      const one = strip(frames, count, holes, 0.1);
      const verdicts = new Uint8Array(frames * one.stride);
      for (let at = 0; at < verdicts.length; at++) {
        const x = one.samples[at];
        verdicts[at] = x !== x ? verdict.missing : random.uniform() < 0.2 ? 1 + Math.floor(2 * random.uniform()) : 0;
      }
      const weights = Float64Array.from({ length: frames }, () => 0.3 + random.uniform());
      const { wasm, twin } = both(() => {
        const memory = { values: new Float32Array(5 * (count + 3)), counts: new Float32Array(3 * (count + 3)) };
        return Object.values(sumKept(one, verdicts, weights, memory)).map((part) => Array.from(part as Float32Array));
      });
      expect(wasm).toEqual(twin);
      for (let p = 0; p < count; p++) {
        let sum = 0;
        let weight = 0;
        let kept = 0;
        for (let f = 0; f < frames; f++) {
          if (verdicts[f * one.stride + p] !== verdict.keep) continue;
          sum += weights[f] * one.samples[f * one.stride + p];
          weight += weights[f];
          kept++;
        }
        expect(wasm[5][p]).toBe(kept);
        if (kept > 0) expect(Math.abs(wasm[0][p] / (sum / weight) - 1)).toBeLessThan(1e-7);
        else expect(wasm[0][p]).toBe(NaN);
      }
    }
  });

  it("correctSamples: kernel and twin agree to the last bit", () => {
    const width = 37;
    const height = 21;
    const make = () => Float32Array.from({ length: width * height }, () => random.gaussian());
    const region = { x: 5, y: 3, width: 29, height: 11 };
    const raw = make();
    const subtract = make();
    const multiply = make();
    for (const [s, m] of [[subtract, multiply], [null, multiply], [subtract, null], [null, null]] as const) {
      const correction = {
        subtract: s,
        multiply: m,
        width,
        height,
        defects: null,
        saturationLevel: null,
        bayer: null,
        notes: [],
      };
      const { wasm, twin } = both(() => {
        const out = new Float32Array(region.width * region.height);
        correctSamples(raw.subarray(0, out.length), correction, region, out);
        return out;
      });
      expect(wasm).toEqual(twin);
      expect(wasm[30]).toBeCloseTo((raw[30] - (s?.[4 * width + 6] ?? 0)) * (m?.[4 * width + 6] ?? 1), 5);
    }
  });

  // Independent of both: location and scale in float64 until nothing moves (lib/stats/huber.ts, checked against
  // statsmodels).
  it("draw the limits where the float64 estimate does, but for samples within 0.5 % of a limit", () => {
    const one = strip(25, 300, 0.05, 0.05);
    const limits = huberLimits(25, 0.001, 8);
    const verdicts = new Uint8Array(25 * one.stride);
    huberVerdicts(one, limits, 0, verdicts);
    for (let p = 0; p < 300; p++) {
      const column = Array.from({ length: 25 }, (_, f) => one.samples[f * one.stride + p]);
      const { location, scale } = huberEstimate(column);
      const n = column.filter((x) => x === x).length;
      column.forEach((x, f) => {
        const z = (x - location) / scale / limits[n];
        if (x !== x || Math.abs(Math.abs(z) - 1) < 0.005) return;
        expect(verdicts[f * one.stride + p]).toBe(z > 1 ? verdict.brighter : z < -1 ? verdict.dimmer : verdict.keep);
      });
    }
  });

  it("ran on WebAssembly where the engine has it", () => {
    setKernelKind("wasm");
    expect(["wasm", "twin"]).toContain(kernelKind());
    if ("Deno" in globalThis) expect(kernelKind()).toBe("wasm");
  });
});

describe("demosaicTile: kernel and twin", () => {
  it("agree to the last bit for every phase, odd sizes, mirrored edges and missing samples", () => {
    for (const [width, height] of [[1, 1], [2, 3], [5, 4], [16, 9], [37, 11], [64, 6]]) {
      for (const method of ["gradient", "bilinear"] as const) {
        for (const [redX, redY] of [[0, 0], [1, 0], [0, 1], [1, 1]]) {
          const source = Float32Array.from(
            { length: width * height },
            () => random.uniform() < 0.03 ? NaN : 1000 + 300 * random.gaussian(),
          );
          const { wasm, twin } = both(() => {
            const planes = [0, 1, 2].map(() => new Float32Array(width * height));
            demosaicTile(source, width, height, redX, redY, method, planes[0], planes[1], planes[2]);
            return planes.map((plane) => [...plane]);
          });
          expect(wasm).toEqual(twin);
        }
      }
    }
  });
  it("agree where the planes have memories of their own", () => {
    const width = 421;
    const height = 311;
    const take = () => borrowPlane(width * height);
    const source = take();
    for (let i = 0; i < source.length; i++) source[i] = 500 + 100 * random.gaussian();
    const { wasm, twin } = both(() => {
      const planes = [take(), take(), take()];
      demosaicTile(source, width, height, 1, 0, "gradient", planes[0], planes[1], planes[2]);
      return planes;
    });
    for (let k = 0; k < 3; k++) expect(wasm[k].every((value, i) => value === twin[k][i])).toBe(true);
  });
});
