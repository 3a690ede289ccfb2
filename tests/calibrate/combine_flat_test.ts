/** Covers phase_levels.ts. */
import { describe, expect, it } from "vitest";
import { combineFlat } from "../../lib/calibrate/combine_flat.ts";
import { constantImage } from "../../lib/core/image.ts";
import { imageOf, moments, noisy } from "./support.ts";

const shade = (p: number) => 1 - 0.3 * ((p % 48 - 24) ** 2 + (Math.floor(p / 48) - 24) ** 2) / 1152;
const flats = (levels: readonly number[], dark = 300, bayer: "RGGB" | null = null) =>
  levels.map((level, k) => {
    const noise = noisy(48, 48, 0, 1, `flat ${k}`);
    return imageOf(48, 48, noise.map((z, p) => dark + level * shade(p) * (1 + 0.005 * z)), bayer);
  });

describe("combineFlat", () => {
  it("recovers the shading whatever the lamp did", () => {
    const master = combineFlat(flats([30000, 28000, 20000, 25000, 15000, 31000, 30000, 22000, 18000, 26000]), {
      bias: constantImage(48, 48, 300),
    });
    const truth = Array.from({ length: 2304 }, (_, p) => shade(p));
    const level = moments(truth).mean;
    const ratio = master.planes[0].data.map((value, p) => value * level / truth[p]);
    const { mean, sd } = moments(ratio);
    expect(Math.abs(mean - 1)).toBeLessThan(1e-3);
    expect(sd).toBeLessThan(0.005 / Math.sqrt(10) * (1 + 4 / Math.sqrt(2 * 2304)));
  });

  it("averages 1 in each phase of a mosaic", () => {
    const tinted = flats([20000, 22000, 24000], 0, "RGGB").map((flat) => {
      const data = flat.planes[0].data.map((value, p) =>
        value * [0.4, 1, 1.05, 0.6][(Math.floor(p / 48) & 1) * 2 + (p % 48 & 1)]
      );
      return imageOf(48, 48, data, "RGGB");
    });
    const { data } = combineFlat(tinted).planes[0];
    for (let phase = 0; phase < 4; phase++) {
      const part = data.filter((_, p) => (Math.floor(p / 48) & 1) * 2 + (p % 48 & 1) === phase);
      expect(Math.abs(moments(part).mean - 1)).toBeLessThan(1e-6);
    }
  });

  it("takes a star out that shone through one twilight flat", () => {
    const frames = flats([30000, 28000, 20000, 25000, 15000, 31000, 30000, 22000, 18000, 26000]);
    const clean = combineFlat(frames).planes[0].data[500];
    frames[3].planes[0].data[500] *= 1.3;
    expect(Math.abs(combineFlat(frames).planes[0].data[500] / clean - 1)).toBeLessThan(0.003);
  });

  it("prefers the flat dark over the bias and leaves a dark flat out", () => {
    const told: string[] = [];
    const frames = [...flats([20000, 21000, 22000], 500), imageOf(48, 48, noisy(48, 48, 490, 1, 1))];
    const master = combineFlat(frames, {
      dark: constantImage(48, 48, 500),
      bias: constantImage(48, 48, 0),
      onUnusable: (_, reason) => told.push(reason),
    });
    expect(told).toHaveLength(1);
    expect(told[0]).toContain("has no light above its dark level");
    expect(
      Math.abs(
        master.planes[0].data[0] * moments(Array.from({ length: 2304 }, (_, p) => shade(p))).mean / shade(0) - 1,
      ),
    )
      .toBeLessThan(0.01);
  });

  it("refuses a bias of another size", () => {
    expect(() => combineFlat(flats([20000]), { bias: constantImage(4, 4, 1) })).toThrow(
      "must have the frames' 48 × 48",
    );
  });
});
