/**
 * Covers machine.ts, blur.ts, blur.twin.ts, convolve.ts, convolve.twin.ts, extremum_filter.ts,
 * extremum_filter.twin.ts, median_filter.ts, median_filter.twin.ts, kernels/starlet.ts, starlet.twin.ts,
 * threshold_detail.ts, threshold_detail.twin.ts, tile_mad.ts, tile_mad.twin.ts, adaptive_histogram.ts,
 * adaptive_histogram.twin.ts, surface.ts, surface.twin.ts, warp_plane.ts, warp_tile.ts, tile_places.ts, correct.ts and
 * app/build_kernels.ts.
 */
import { Buffer } from "node:buffer";
import { createHash } from "node:crypto";
import { readFileSync } from "node:fs";
import { afterAll, afterEach, describe, expect, it } from "vitest";
import { borrowPlane } from "../../lib/core/memory.ts";
import { randomStream } from "../../lib/core/random.ts";
import type { Transform } from "../../lib/core/transform.ts";
import { blurPlane, boxTaps, gaussianTaps } from "../../lib/kernels/blur.ts";
import { convolvePlane } from "../../lib/kernels/convolve.ts";
import { correctFrame, decodeShorts } from "../../lib/kernels/correct.ts";
import { extremumPlane } from "../../lib/kernels/extremum_filter.ts";
import { medianPlane } from "../../lib/kernels/median_filter.ts";
import { thresholdDetail } from "../../lib/kernels/threshold_detail.ts";
import { applySurface } from "../../lib/kernels/surface.ts";
import { kernelKind, setKernelKind } from "../../lib/kernels/machine.ts";
import { clippedMad, tileMads } from "../../lib/kernels/tile_mad.ts";
import { closePool, setWorkerCount } from "../../lib/parallel/pool.ts";
import { starletScale } from "../../lib/kernels/starlet.ts";
import { applyTileCurves, countTileHistograms } from "../../lib/kernels/adaptive_histogram.ts";
import { warpPlane } from "../../lib/kernels/warp_plane.ts";
import { warpTable } from "../../lib/kernels/warp_tile.ts";

const deno = "Deno" in globalThis;
const random = randomStream("kernels");

/** A noisy plane with a few missing and wild samples. */
function scene(samples: number, missing = 0.01): Float32Array {
  const plane = borrowPlane(samples);
  for (let i = 0; i < samples; i++) {
    const u = random.uniform();
    plane[i] = u < missing ? NaN : u > 0.99 ? 5000 * random.uniform() : 100 + 10 * random.gaussian();
  }
  return plane;
}
/** Digest of samples, every NaN alike: its sign is fixed by no standard. */
function digest(...planes: readonly Float32Array[]): string {
  const hash = createHash("sha256");
  for (const plane of planes) hash.update(new Uint8Array(Float32Array.from(plane, (x) => x !== x ? NaN : x).buffer));
  return hash.digest("hex");
}

const straight = (...matrix: [number, number, number, number, number, number, number, number, number]): Transform => ({
  kind: matrix[6] === 0 && matrix[7] === 0 ? "affine" : "homography",
  matrix,
});
const curve = {
  degree: 2,
  domain: { centreX: 60, centreY: 55, radius: 60 },
  x: [62.5, 60, -3, 0.4, 0.2, -0.3],
  y: [53.5, 2, 61, 0.1, -0.2, 0.5],
};
const maps: Readonly<Record<string, Transform>> = {
  turned: straight(0.98, -0.17, 9.3, 0.17, 0.98, -4.6, 0, 0, 1),
  flipped: straight(-1, 0, 300.25, 0, -1, 200.5, 0, 0, 1),
  projective: straight(1.01, 0.02, -3.2, -0.015, 0.99, 2.7, 2e-5, -1e-5, 1),
  curved: { kind: "polynomial", ...curve, inverse: curve },
};
const gridOf = (width: number, height: number) => ({ width, height, originX: 0.25, originY: 0, scale: 1 });

interface Case {
  readonly name: string;
  readonly run: () => Float32Array[];
}
/** Every kernel on a plane of width × height, made anew from the seed of the size. */
function cases(width: number, height: number): Case[] {
  const n = width * height;
  const a = scene(n);
  const dark = scene(n, 0);
  const flat = scene(n, 0.001);
  const list: Case[] = [];
  const bytes = new Uint8Array(new SharedArrayBuffer(2 * n)).map(() => Math.floor(256 * random.uniform()));
  const corrected = (raw: Float32Array | Uint8Array, subtract: Float32Array | null, multiply: Float32Array | null) => {
    const out = borrowPlane(n);
    correctFrame(raw, { subtract, multiply, width }, height, out);
    return out;
  };
  list.push({ name: "calibrate floats", run: () => [corrected(a, dark, flat), corrected(a, null, flat)] });
  list.push({ name: "calibrate bytes", run: () => [corrected(bytes, dark, flat), corrected(bytes, dark, null)] });
  for (const [name, map] of Object.entries(maps)) {
    for (const kernel of ["lanczos3", "cubic", "bilinear", "nearest"] as const) {
      list.push({
        name: `warp ${name} ${kernel}`,
        run: () => [warpPlane(a, width, height, map, gridOf(width + 3, height), kernel)],
      });
    }
    list.push({
      name: `warp ${name} held`,
      run: () => [warpPlane(a, width, height, map, gridOf(width, height), "lanczos3", 20)],
    });
  }
  for (const step of [1, 4, 32]) {
    list.push({ name: `starlet ${step}`, run: () => Object.values(starletScale(dark, width, height, step)) });
  }
  for (const step of [1, 2, 16]) {
    const limits = { step, norm: 0.002, most: 9, low: 1.75, high: 4.75, grain: 0.2 };
    const even = scene(n, 0);
    for (let i = 0; i < n; i++) even[i] = 1 / (1 + Math.abs(even[i]) / 100);
    list.push({
      name: `keep ${step}`,
      run: () => {
        const out = borrowPlane(n);
        thresholdDetail(dark, even, width, height, limits, out, true);
        // what is added to must not hang on what another kernel leaves behind in its work space
        blurPlane(dark, width, height, boxTaps(1));
        thresholdDetail(a, even, width, height, limits, out, false);
        thresholdDetail(dark, even, width, height, limits, out, false, even);
        return [out];
      },
    });
  }
  const spread = { radius: 5, middle: 0.4, x: Int32Array.of(1, -3, 5, 0), y: Int32Array.of(0, 2, 1, 5) };
  list.push({
    name: "convolve",
    run: () =>
      [dark, a].map((data) =>
        convolvePlane(data, width, height, { ...spread, weights: Float32Array.of(0.1, 0.07, 0.1, 0.03) })
      ),
  });
  const bright = Float32Array.from(a, (v) => v / 150 - 0.2);
  for (const [across, down, tones] of [[1, 1, 16], [5, 3, 100], [3, 4, 1000]]) {
    const parts = { width, height, across, down, tones };
    const nodes = Float32Array.from(
      { length: across * down * (tones + 1) },
      (_, k) => (k % (tones + 1)) / tones + 0.001 * (k % 7),
    );
    list.push({
      name: `tones ${tones}`,
      run: () => {
        const out = borrowPlane(n);
        applyTileCurves(bright, parts, nodes, 0.7, out);
        return [Float32Array.from(countTileHistograms(bright, parts)), out];
      },
    });
  }
  const edges = (size: number) => Int32Array.from([0, 0.3, 0.55, 1], (part) => Math.round(part * size));
  const even = Float32Array.from(a, (v) => Math.round(v));
  for (const data of [a, dark, even]) {
    list.push({
      name: "sizes",
      run: () => [
        Float32Array.from(tileMads(data, width, edges(width), edges(height), 1).medians),
        Float32Array.from(tileMads(data, width, edges(width), edges(height), 3).counts),
        Float32Array.of(clippedMad(data, 1, 3, 0.9966), clippedMad(data, 7, 0, 1)),
      ],
    });
  }
  for (const sigma of [0.8, 3, 11]) {
    list.push({ name: `blur ${sigma}`, run: () => [blurPlane(dark, width, height, gaussianTaps(sigma))] });
  }
  list.push({ name: "blur box with gaps", run: () => [blurPlane(a, width, height, boxTaps(2))] });
  for (const radius of [0, 1, 2.5, 9]) {
    list.push({ name: `lowest ${radius}`, run: () => [extremumPlane(a, width, height, radius, "lowest")] });
    list.push({ name: `highest ${radius}`, run: () => [extremumPlane(a, width, height, radius, "highest")] });
  }
  for (const [radius, step, own] of [[1, 1, true], [1, 2, false], [2, 1, false], [3, 1, true]] as const) {
    list.push({
      name: `median ${radius}, ${step}`,
      run: () => [dark, a].map((data) => medianPlane(data, width, height, radius, step, own)),
    });
  }
  const nodes = Float64Array.from({ length: 20 }, () => random.gaussian());
  const grid = { nodes, columns: 5, rows: 4, originX: -3.5, originY: 2.25, spacing: width / 3.7 };
  const terms = Array.from({ length: 15 }, () => random.gaussian());
  const polynomial = { terms, centreX: width / 2, centreY: height / 3, radius: width };
  for (const operation of ["add", "subtract", "multiply", "divide"] as const) {
    list.push({ name: `grid ${operation}`, run: () => [applySurface(a, width, height, grid, operation)] });
    list.push({ name: `polynomial ${operation}`, run: () => [applySurface(a, width, height, polynomial, operation)] });
  }
  list.push({ name: "surface alone", run: () => [applySurface(null, width, height, grid, "none")] });
  return list;
}

afterEach(() => {
  setKernelKind("wasm");
  setWorkerCount(0);
});
afterAll(closePool);

describe.skipIf(!deno)("kernel and twin", () => {
  it.each([[1, 1], [1, 9], [9, 1], [7, 5], [33, 18], [300, 201]])(
    "give the same bytes on %d × %d",
    (width, height) => {
      setWorkerCount(0);
      for (const { name, run } of cases(width, height)) {
        setKernelKind("wasm");
        expect(kernelKind()).toBe("wasm");
        const fast = digest(...run());
        setKernelKind("twin");
        expect(`${name} ${digest(...run())}`).toBe(`${name} ${fast}`);
      }
    },
  );

  it("give the same bytes for 0, 1, 2 and 3 workers", () => {
    const list = cases(521, 403);
    const found: string[][] = [];
    for (const count of [0, 1, 2, 3]) {
      setWorkerCount(count);
      found.push(list.map(({ name, run }) => `${name} ${digest(...run())}`));
    }
    for (const each of found) expect(each).toEqual(found[0]);
  });

  it("kernels.wasm is what its sources compile to", async () => {
    // A computed name: under another runner the compiler is not there, and the case is skipped.
    const { buildKernels, sourceDigest } = await import(
      new URL("../../lib/app/build_kernels.ts", import.meta.url).href
    );
    const committed = readFileSync(new URL("../../lib/kernels/kernels.wasm", import.meta.url));
    const [stamp] = WebAssembly.Module.customSections(new WebAssembly.Module(committed), "sources");
    expect(new TextDecoder().decode(stamp)).toBe(sourceDigest());
    expect(Buffer.from(await buildKernels()).equals(committed)).toBe(true);
  });
});

describe.each(["wasm", "twin"] as const)("%s by hand", (kind) => {
  const use = () => setKernelKind(kind);

  it("calibrates unsigned 16-bit bytes", () => {
    use();
    // Stored 0x8000 is 0, 0x0000 is 32768, 0x7fff is 65535 (FITS 4.0, section 5.2.5, BZERO 32768).
    const bytes = Uint8Array.of(0x80, 0, 0, 0, 0x7f, 0xff, 0x80, 100);
    const out = new Float32Array(4);
    decodeShorts(bytes, out);
    expect([...out]).toEqual([0, 32768, 65535, 100]);
    const subtract = Float32Array.of(10, 10, 10, 10);
    const multiply = Float32Array.of(0.5, NaN, 1, 2);
    correctFrame(bytes, { subtract, multiply, width: 2 }, 2, out);
    expect([...out]).toEqual([-5, NaN, 65525, 180]);
  });

  it("has the published weights of Lanczos-3 and Keys", () => {
    // Raw weights at 1/2: sinc(x) sinc(x/3), sum 0.9942985; Keys 1981 at 1/2: −1/16, 9/16, 9/16, −1/16.
    const lanczos = [...warpTable("lanczos3").subarray(6 * 512, 6 * 513)];
    const raw = [0.0243171, -0.1350949, 0.6079271, 0.6079271, -0.1350949, 0.0243171].map((w) => w / 0.9942985);
    raw.forEach((w, k) => expect(lanczos[k]).toBeCloseTo(w, 6));
    expect([...warpTable("cubic").subarray(4 * 512, 4 * 513)]).toEqual([-1 / 16, 9 / 16, 9 / 16, -1 / 16]);
    // White-noise variance of one axis: sum of squares (0.785769 at 1/2, 0.893833 at 1/4; closed form).
    const square = (phase: number) =>
      warpTable("lanczos3").subarray(6 * phase, 6 * phase + 6).reduce((s, w) => s + w * w, 0);
    expect(square(512)).toBeCloseTo(0.785769, 6);
    expect(square(256)).toBeCloseTo(0.893833, 6);
  });

  it("moves whole pixels exactly, keeps a constant, leaves NaN outside", () => {
    use();
    const plane = Float32Array.from({ length: 20 * 12 }, (_, i) => i % 17);
    const grid = { ...gridOf(20, 12), originX: 0 };
    for (const kernel of ["lanczos3", "cubic", "bilinear", "nearest"] as const) {
      const out = warpPlane(plane, 20, 12, straight(1, 0, 2, 0, 1, -1, 0, 0, 1), grid, kernel);
      for (let y = 0; y < 12; y++) {
        for (let x = 0; x < 20; x++) expect(out[y * 20 + x]).toBe(y < 1 || x > 17 ? NaN : plane[(y - 1) * 20 + x + 2]);
      }
      const map = straight(1, 0, 0.3, 0, 1, 0.4, 0, 0, 1);
      const flat = warpPlane(new Float32Array(240).fill(7), 20, 12, map, grid, kernel);
      for (const value of flat) if (value === value) expect(value).toBeCloseTo(7, 5);
    }
  });

  it("holds the dark ring of a bright pixel back", () => {
    use();
    const plane = new Float32Array(21 * 21).fill(100);
    const grid = { ...gridOf(21, 21), originX: 0 };
    plane[10 * 21 + 10] = 60000;
    const half = straight(1, 0, 0.5, 0, 1, 0.5, 0, 0, 1);
    const free = warpPlane(plane, 21, 21, half, grid, "lanczos3");
    const held = warpPlane(plane, 21, 21, half, grid, "lanczos3", 5);
    expect(Math.min(...free.filter((x) => x === x))).toBeLessThan(-1000);
    expect(Math.min(...held.filter((x) => x === x))).toBe(95);
  });

  it("spans a missing sample unless it is the nearest", () => {
    use();
    const plane = new Float32Array(15 * 15).fill(3);
    const grid = { ...gridOf(15, 15), originX: 0 };
    plane[7 * 15 + 7] = NaN;
    const out = warpPlane(plane, 15, 15, straight(1, 0, 0.25, 0, 1, 0, 0, 0, 1), grid, "lanczos3");
    expect(out[7 * 15 + 7]).toBe(NaN);
    expect(out[7 * 15 + 6]).toBeCloseTo(3, 6);
    expect(out[7 * 15 + 8]).toBeCloseTo(3, 6);
  });

  it("splits a bright pixel into the starlet's kernels, with the published gains of noise", () => {
    use();
    let smooth = new Float32Array(65 * 65);
    smooth[32 * 65 + 32] = 1;
    // Gains of white noise in scales 1 to 4 (Starck & Murtagh 2002 print 0.889 0.200 0.086 0.041; exact kernel norms).
    const gains = [0.8907963, 0.2006639, 0.0855075, 0.0412174];
    for (let j = 0; j < 4; j++) {
      const parts = starletScale(smooth, 65, 65, 2 ** j);
      expect(Math.sqrt(parts.detail.reduce((s, x) => s + x * x, 0))).toBeCloseTo(gains[j], 6);
      if (j === 0) expect(parts.smooth[32 * 65 + 32]).toBe(0.140625);
      smooth = new Float32Array(parts.smooth);
    }
  });

  it("evaluates what a cubic grid and a polynomial mean", () => {
    use();
    // Keys' cubic reproduces a parabola exactly, edges included.
    const value = (x: number, y: number) => 3 + 0.5 * x - 0.25 * y + 0.01 * x * x - 0.02 * x * y + 0.03 * y * y;
    const nodes = Float64Array.from({ length: 5 * 4 }, (_, k) => value(8 * (k % 5) - 1, 8 * Math.floor(k / 5) + 2));
    const grid = { nodes, columns: 5, rows: 4, originX: -1, originY: 2, spacing: 8 };
    const terms = [3, 0.5, -0.25, 0.01, -0.02, 0.03];
    const a = applySurface(null, 30, 26, grid, "none");
    const b = applySurface(null, 30, 26, { terms, centreX: 0, centreY: 0, radius: 1 }, "none");
    for (let y = 0; y < 26; y++) {
      for (let x = 0; x < 30; x++) {
        expect(Math.abs(a[y * 30 + x] - value(x, y))).toBeLessThan(3e-5);
        expect(Math.abs(b[y * 30 + x] - value(x, y))).toBeLessThan(3e-5);
      }
    }
    expect(applySurface(Float32Array.of(10, 20), 2, 1, { terms: [4], centreX: 0, centreY: 0, radius: 1 }, "divide"))
      .toEqual(
        Float32Array.of(2.5, 5),
      );
  });

  it("blurs with mirrored edges, and finds extremes in a disc", () => {
    use();
    // scipy.ndimage.convolve1d(x, [1, 2, 4, 2, 1], mode="mirror") of scipy 1.17.1 on one row: mirrored without the
    // edge repeated.
    const taps = Float32Array.of(4, 2, 1);
    const row = Float32Array.of(1, 5, 2, 8, 3, 0);
    const rows = blurPlane(row, 6, 1, taps);
    // Along the column of one row every tap meets the same sample: times the sum, 10.
    expect([...rows]).toEqual([28, 39, 38, 47, 33, 28].map((v) => 10 * v));
    const dot = new Float32Array(49);
    dot[24] = 1;
    dot[3] = NaN;
    const wide = extremumPlane(dot, 7, 7, 2, "highest");
    const disc = ["...1...", "..111..", ".11111.", "..111..", "...1..."].join("");
    expect([...wide.subarray(7, 42)].map((v) => v > 0 ? "1" : ".").join("")).toBe(disc);
    expect([...extremumPlane(Float32Array.of(NaN, NaN, 4), 3, 1, 1, "lowest")]).toEqual([NaN, 4, 4]);
  });

  it("tells the median absolute value of tiles and of samples cut at three deviations", () => {
    use();
    const data = Float32Array.of(1, -2, 3, 8, NaN, -6, 7, 5);
    const { medians, counts } = tileMads(data, 4, Int32Array.of(0, 2, 4), Int32Array.of(0, 2), 1);
    // |1| |2| |6| and |3| |8| |7| |5|
    expect([[...medians], [...counts]]).toEqual([[2, 6], [3, 4]]);
    const stray = Float32Array.of(1, -1, 1, 1, 2, -2, 100, NaN);
    const median = 1.482602218505602;
    expect(clippedMad(stray, 1, 0, 1)).toBe(median);
    // Cut at 4.45 the 100 goes: of 1 1 1 1 2 2 the middle is 1 again.
    expect(clippedMad(stray, 1, 3, 0.5)).toBe(2 * median);
    expect(clippedMad(Float32Array.of(NaN), 1, 3, 1)).toBe(NaN);
  });

  it("keeps details that stand out in their neighbourhood, and a share of the rest", () => {
    use();
    const detail = new Float32Array(15 * 15).fill(0.5);
    const even = new Float32Array(225).fill(1);
    const out = new Float32Array(225);
    const limits = { step: 1, norm: 4, most: 8, low: 2, high: 4, grain: 0.25 };
    thresholdDetail(detail, even, 15, 15, limits, out, true);
    // power 1 everywhere: noise
    expect(new Set(out)).toEqual(new Set([0.125]));
    // power 3, half-way: a smooth step of 1/2
    thresholdDetail(detail, even, 15, 15, { ...limits, norm: 12 }, out, false);
    expect(new Set(out)).toEqual(new Set([0.125 + 0.5 * (0.25 + 0.75 * 0.5)]));
    // one sample far out counts 8 at most, and in the middle of its smoothing 8 · (3/8)² = 1.125 of variance: noise
    detail.fill(0)[112] = 100;
    thresholdDetail(detail, even, 15, 15, limits, out, true);
    expect(out[112]).toBe(25);
    thresholdDetail(detail, even, 15, 15, { ...limits, norm: 0, grain: 1 }, out, true);
    expect(out[112]).toBe(100);
  });
});
