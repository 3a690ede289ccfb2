/**
 * The kernels of the star search, detection and moments, against their plain twins and against sorting by hand. Covers
 * detection.twin.ts, moments.ts, moments.twin.ts, moment_inside.twin.ts and moment_sums.twin.ts.
 */
import { afterEach, describe, expect, it } from "vitest";
import { borrowPlane } from "../../lib/core/memory.ts";
import { randomStream } from "../../lib/core/random.ts";
import { setKernelKind } from "../../lib/kernels/machine.ts";
import { measureMoments, momentAt, momentFields } from "../../lib/kernels/moments.ts";
import {
  blockMeans,
  findPeaks,
  type Grid,
  lineMedians,
  peakRegions,
  regionFields,
  ringMedians,
  smoothGrid,
  subtractSurface,
  tileMedians,
  tileStatistics,
} from "../../lib/kernels/detection.ts";

const random = randomStream("survey kernels");
afterEach(() => setKernelKind("wasm"));

/** Noise on a slope, with spikes, whole numbers (ties) and missing samples. */
function scene(width: number, height: number, missing: number): Float32Array {
  const plane = borrowPlane(width * height);
  for (let i = 0; i < plane.length; i++) {
    const spike = random.uniform() > 0.995 ? 4000 * random.uniform() : 0;
    plane[i] = random.uniform() < missing ? NaN : Math.round(300 + 0.1 * (i % width) + 9 * random.gaussian() + spike);
  }
  return plane;
}

/** Everything the star search does with a plane, by name. */
function everything(
  data: Float32Array,
  width: number,
  height: number,
  parity: -1 | 0 | 1,
): Record<string, ArrayLike<number>> {
  const grid = blockMeans(data, width, height, parity);
  const blocks = grid.data.slice();
  const mesh = tileStatistics(grid, 16);
  subtractSurface(grid, { ...mesh, level: mesh.level.map((v) => v === v ? v : 300) });
  const flat = grid.data.slice();
  const medians = tileMedians(grid);
  const lines = lineMedians(grid, grid.height, grid.width, grid.width >> 1, 2, 5);
  const smooth = smoothGrid(grid);
  const limits = new Float32Array(mesh.level.length).fill(6);
  const peaks = findPeaks(smooth, limits, mesh.columns, mesh.rows, mesh.tile);
  const regions = new Float64Array(regionFields * peaks.length);
  const places: number[] = [];
  peaks.forEach((i, k) => {
    const x = i % grid.width;
    const y = (i - x) / grid.width;
    regions.set([i, k % 5 === 0 ? NaN : smooth.data[i] * (0.2 + 0.1 * (k % 7))], regionFields * k);
    if (Math.min(x, y, grid.width - 1 - x, grid.height - 1 - y) >= 4) places.push(i);
  });
  peakRegions(smooth, regions);
  const ring = Int32Array.from({ length: 16 }, (_, k) => (k % 4 + 1) * grid.width - (k >> 2));
  const rings = ringMedians(smooth, Int32Array.from(places), ring);
  const list = new Float64Array(momentFields * 200);
  for (let k = 0; k < 200; k++) {
    const x = (k * 37.3) % (width + 4) - 2;
    const y = (k * 17.7) % (height + 4) - 2;
    list.set([k % 3, x, y, 1 + k % 5, (k % 7) * 0.1, 2, 300 + k % 9, 3, 0.01, 0, 0.1, 500, 20], k * momentFields);
  }
  measureMoments({ data, width, height, parity }, 0.4, list);
  const { level, noise } = mesh;
  return {
    blocks,
    level,
    noise,
    flat,
    medians: medians.level,
    inner: medians.smooth,
    lines,
    smooth: smooth.data,
    peaks,
    regions,
    rings,
    list,
  };
}

describe("the star search's kernels and their twins", () => {
  it.each([[333, 210, 0.01, -1], [256, 192, 0, -1], [331, 209, 0.01, 0], [640, 500, 0.001, 1]] as const)(
    "give the same bytes: %i × %i, %f missing, parity %i",
    (width, height, missing, parity) => {
      const data = scene(width, height, missing);
      setKernelKind("wasm");
      const wasm = everything(data, width, height, parity);
      setKernelKind("twin");
      const twin = everything(data, width, height, parity);
      for (const key of Object.keys(wasm)) expect(Array.from(wasm[key]), key).toEqual(Array.from(twin[key]));
    },
  );
  it("takes medians that a sort confirms: rows, and tiles as the median of seven medians of seven", () => {
    const width = 64;
    const height = 48;
    const data = scene(width, height, 0);
    const grid: Grid = { width, height, data };
    const rows = lineMedians(grid, height, width, width, 1, 1);
    for (let y = 0; y < height; y++) {
      expect(rows[y]).toBe(data.slice(y * width, (y + 1) * width).sort()[width >> 1]);
    }
    const { level, columns } = tileMedians(grid);
    for (let t = 0; t < level.length; t++) {
      const x0 = 8 * (t % columns);
      const y0 = 8 * Math.floor(t / columns);
      const medians = Float32Array.from(
        { length: 7 },
        (_, x) => Float32Array.from({ length: 7 }, (_, y) => data[(y0 + y) * width + x0 + x]).sort()[3],
      );
      expect(level[t]).toBe(medians.sort()[3]);
    }
  });
  it("follows a region down to its floor, tells which meet, and takes the median of a ring", () => {
    const width = 24;
    const height = 16;
    const data = new Float32Array(width * height);
    // Two bars, one of 1 × 5 and one of 2 × 3 at a border, a third of 1 × 1 next to the first corner to corner.
    for (let x = 5; x < 10; x++) data[4 * width + x] = 8;
    for (let k = 0; k < 6; k++) data[(10 + (k >> 1)) * width + (k & 1)] = 6;
    data[5 * width + 10] = 5;
    const list = Float64Array.of(
      4 * width + 5,
      7,
      0,
      0,
      0,
      0,
      0,
      0,
      10 * width,
      6,
      0,
      0,
      0,
      0,
      0,
      0,
      5 * width + 10,
      5,
      0,
      0,
      0,
      0,
      0,
      0,
    );
    peakRegions({ width, height, data }, list);
    expect(Array.from(list.subarray(0, 8))).toEqual([0, 5, 7, 4, 2, 0, 0, 0]);
    expect(Array.from(list.subarray(9, 12))).toEqual([6, 0.5, 11]);
    expect([list[12], list[14]]).toEqual([0.25, expect.closeTo(2 / 3, 12)]);
    expect([list[17], list[23]]).toEqual([1, 1]);
    const noise = scene(width, height, 0);
    const offsets = Int32Array.from({ length: 16 }, (_, k) => (k % 4) * width + 3 * (k >> 2));
    const places = Int32Array.of(0, 30, 61, 100, 101);
    const medians = ringMedians({ width, height, data: noise }, places, offsets);
    for (let k = 0; k < 5; k++) {
      const sorted = Float32Array.from(offsets, (off) => noise[places[k] + off]).sort();
      expect([medians[2 * k], medians[2 * k + 1]]).toEqual([sorted[7], sorted[8]]);
    }
  });
  it("smooths by [1 2 1] ⊗ [1 2 1] / 16 and finds the peaks that comparing all neighbours finds, borders included", () => {
    const width = 41;
    const height = 33;
    const data = scene(width, height, 0).map((v) => v + random.uniform());
    const grid: Grid = { width, height, data };
    const held = (x: number, y: number) =>
      data[Math.max(0, Math.min(height - 1, y)) * width + Math.max(0, Math.min(width - 1, x))];
    const smooth = smoothGrid(grid);
    for (const [x, y] of [[0, 0], [40, 32], [7, 0], [20, 16]]) {
      let sum = 0;
      for (let j = -1; j <= 1; j++) {
        for (let i = -1; i <= 1; i++) sum += (2 - Math.abs(i)) * (2 - Math.abs(j)) * held(x + i, y + j);
      }
      expect(smooth.data[y * width + x]).toBeCloseTo(sum / 16, 3);
    }
    const found = new Set(findPeaks(smooth, Float32Array.of(305), 1, 1, 41));
    let peaks = 0;
    for (let y = 0; y < height; y++) {
      for (let x = 0; x < width; x++) {
        const v = smooth.data[y * width + x];
        let highest = v > 305;
        for (let j = -1; j <= 1; j++) {
          for (let i = -1; i <= 1; i++) {
            if (x + i < 0 || y + j < 0 || x + i >= width || y + j >= height) continue;
            if (smooth.data[(y + j) * width + x + i] > v) highest = false;
          }
        }
        if (highest) {
          peaks++;
          expect(found.has(y * width + x)).toBe(true);
        }
      }
    }
    expect(peaks).toBe(found.size);
  });
});

describe("measureMoments", () => {
  it("finds the ellipse of a sampled Gaussian, its place, and that a border pulls no centre", () => {
    const width = 80;
    const height = 60;
    const truth = [[30.3, 24.6], [2.2, 30.4], [60.7, 58.4]];
    const data = Float32Array.from({ length: width * height }, (_, i) => {
      const x = i % width;
      const y = Math.floor(i / width);
      // variances 4 and 2 along the axes turned by 30°: xx = 3.5, yy = 2.5, xy = √3 / 2
      return truth.reduce((sum, [tx, ty]) => {
        const dx = x - tx;
        const dy = y - ty;
        const det = 3.5 * 2.5 - 0.75;
        return sum + 900 * Math.exp(-0.5 * (2.5 * dx * dx - 2 * Math.sqrt(0.75) * dx * dy + 3.5 * dy * dy) / det);
      }, 7);
    });
    const list = new Float64Array(3 * momentFields);
    truth.forEach(([x, y], k) => {
      list.set([k === 0 ? 2 : 1, x + 0.4, y - 0.3, 3, 0, 3, 7, 3, 0.001, 0, 0.1, 50, 40], k * momentFields);
    });
    measureMoments({ data, width, height, parity: -1 }, 0.4, list);
    truth.forEach(([x, y], k) => {
      expect(list[k * momentFields + momentAt.converged]).toBe(1);
      // the adaptive pass ends when a step is below a thousandth of the width; at a border whole pixels are left out,
      // not parts
      const near = k === 0 ? 0.005 : 0.15;
      expect(Math.abs(list[k * momentFields + momentAt.x] - x)).toBeLessThan(near);
      expect(Math.abs(list[k * momentFields + momentAt.y] - y)).toBeLessThan(near);
    });
    expect(list[momentAt.xx]).toBeCloseTo(3.5, 1);
    expect(list[momentAt.yy]).toBeCloseTo(2.5, 1);
    expect(list[momentAt.xy]).toBeCloseTo(Math.sqrt(0.75), 1);
  });
});
