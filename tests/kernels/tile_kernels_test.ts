import { afterAll, describe, expect, it } from "vitest";
import { randomStream } from "../../lib/core/random.ts";
import { kernelKind, setKernelKind } from "../../lib/kernels/machine.ts";
import { huberVerdicts, leastKept, type Strip, verdict } from "../../lib/kernels/rejection.ts";
import { huberEstimate, huberLimits } from "../../lib/stats/huber.ts";

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
    const stride = Math.ceil(count / 32) * 32 + 16, samples = new Float32Array(frames * stride);
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
      const one = strip(frames, count, holes, wild), limits = huberLimits(frames, 0.001, 8);
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
        const mine = wasm.map((row) => row[p]), n = mine.filter((value) => value !== verdict.missing).length;
        expect(mine.filter((value) => value === verdict.keep).length).toBeGreaterThanOrEqual(leastKept(n));
      }
    }
  });

  // Independent of both: location and scale in float64 until nothing moves (lib/stats/huber.ts, checked against statsmodels).
  it("draw the limits where the float64 estimate does, but for samples within 0.5 % of a limit", () => {
    const one = strip(25, 300, 0.05, 0.05),
      limits = huberLimits(25, 0.001, 8),
      verdicts = new Uint8Array(25 * one.stride);
    huberVerdicts(one, limits, 0, verdicts);
    for (let p = 0; p < 300; p++) {
      const column = Array.from({ length: 25 }, (_, f) => one.samples[f * one.stride + p]);
      const { location, scale } = huberEstimate(column), n = column.filter((x) => x === x).length;
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
