import { describe, expect, it } from "vitest";
import { randomStream } from "../../lib/core/random.ts";
import { quietNoise, scaleNoise, starlet, starletGains, starletReach } from "../../lib/filters/starlet.ts";

describe("starlet", () => {
  it("gives the exact coefficients of a unit spike (kernel norms of Starck & Murtagh's transform)", () => {
    const data = new Float32Array(41 * 41);
    data[20 * 41 + 20] = 1;
    const { scales, rest } = starlet(data, 41, 41, 3);
    expect(scales[0][20 * 41 + 20]).toBeCloseTo(0.859375, 7);
    expect(scales[0][20 * 41 + 21]).toBeCloseTo(-0.09375, 7);
    expect(scales[1][20 * 41 + 20]).toBeCloseTo(0.111083984375, 7);
    for (let i = 0; i < data.length; i++) {
      expect(scales[0][i] + scales[1][i] + scales[2][i] + rest[i]).toBeCloseTo(data[i], 6);
    }
    let norm = 0;
    for (const v of scales[0]) norm += v * v;
    expect(Math.sqrt(norm)).toBeCloseTo(starletGains[0], 6);
  });

  it("measures white noise at every scale within its own error", () => {
    const random = randomStream(8);
    const data = Float32Array.from({ length: 300 * 300 }, () => 3 * random.gaussian());
    starlet(data, 300, 300, 4).scales.forEach((detail, j) => {
      expect(Math.abs(scaleNoise(detail) / starletGains[j] / 3 - 1)).toBeLessThan(0.02 * 2 ** j);
    });
  });

  it("reaches as far as it states", () => {
    const data = new Float32Array(81 * 81);
    data[40 * 81 + 40] = 1;
    const { scales } = starlet(data, 81, 81, 4);
    const reach = starletReach(4);
    expect(reach).toBe(30);
    expect(scales[3][40 * 81 + 40 + reach]).not.toBe(0);
    for (const beyond of [reach + 1, reach + 5]) expect(scales[3][40 * 81 + 40 + beyond]).toBe(0);
  });
});

describe("quietNoise", () => {
  it("finds the noise of the sky beside a texture that fills most of the field", () => {
    const random = randomStream(9);
    const data = Float32Array.from({ length: 400 * 300 }, (_, i) => {
      const x = i % 400;
      return 2 * random.gaussian() + (x > 80 ? 30 * Math.sin(x) * Math.cos(Math.floor(i / 400)) : 0);
    });
    const { scales } = starlet(data, 400, 300, 2);
    expect(scaleNoise(scales[0]) / starletGains[0]).toBeGreaterThan(4);
    // A tenth of all tiles is half of the quiet ones here: it lies 10 % higher than on noise alone.
    expect(Math.abs(quietNoise(scales, 400, 300)[0] / starletGains[0] / 2 - 1.1)).toBeLessThan(0.05);
  });
});
