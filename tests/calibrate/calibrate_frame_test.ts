/** Covers core/mask.ts. */
import { describe, expect, it } from "vitest";
import { calibrateFrame } from "../../lib/calibrate/calibrate_frame.ts";
import { constantImage, derive, type Image } from "../../lib/core/image.ts";
import { createMask, maskBit } from "../../lib/core/mask.ts";
import { gauss } from "../support/numbers.ts";
import { imageOf, moments, noisy, storedValues } from "./support.ts";

const withVariance = (image: Image, value: number): Image =>
  derive(image, { variance: [new Float32Array(image.width * image.height).fill(value)] }, { step: "v", options: {} });

describe("calibrateFrame", () => {
  // ccdproc 2.5.1 through fixtures/combine/generate.py.
  const w = 16;
  const h = 12;
  const n = w * h;
  const raw = imageOf(w, h, gauss(n, 21).map((z) => 1000 + 30 * z));
  const bias = imageOf(w, h, gauss(n, 22).map((z) => 100 + 3 * z));
  const dark = imageOf(w, h, gauss(n, 23).map((z) => 140 + 5 * z));
  const flat = imageOf(w, h, gauss(n, 24).map((z) => 20000 + 900 * z));

  it("agrees with ccdproc: dark of the same exposure, flat", () => {
    const { data } = calibrateFrame(raw, { dark, flat }).planes[0];
    storedValues().ccdproc.plain.forEach((value, p) => expect(Math.abs(data[p] - value)).toBeLessThan(3e-4));
  });

  it("agrees with ccdproc: bias, dark of 120 s scaled to 300 s, flat", () => {
    const { data } = calibrateFrame(raw, { bias, dark, flat }, { darkScale: 2.5 }).planes[0];
    storedValues().ccdproc.scaled.forEach((value, p) => expect(Math.abs(data[p] - value)).toBeLessThan(3e-4));
  });

  it("never clips below 0, so that the mean of dark sky stays 0", () => {
    const sky = imageOf(64, 64, noisy(64, 64, 100, 8, 1));
    const { data } = calibrateFrame(sky, { dark: constantImage(64, 64, 100) }).planes[0];
    expect(data.filter((value) => value < 0).length).toBeGreaterThan(1900);
    expect(Math.abs(moments(data).mean)).toBeLessThan(4 * 8 / 64);
  });

  it("leaves the colours of a mosaic alone: the flat counts phase by phase", () => {
    const tint = (p: number) => [1, 2, 4, 3][(Math.floor(p / 8) & 1) * 2 + (p % 8 & 1)];
    const light = imageOf(8, 8, Array.from({ length: 64 }, (_, p) => 100 * tint(p)), "RGGB");
    const lamp = imageOf(8, 8, Array.from({ length: 64 }, (_, p) => 5000 * tint(p)), "RGGB");
    expect(calibrateFrame(light, { flat: lamp }).planes[0].data).toEqual(light.planes[0].data);
  });

  it("flattens what the flat shows", () => {
    const shade = (p: number) => 1 - 0.004 * Math.abs(p % 32 - 16);
    const light = imageOf(32, 32, Array.from({ length: 1024 }, (_, p) => 200 + 800 * shade(p)));
    const lamp = imageOf(32, 32, Array.from({ length: 1024 }, (_, p) => 30000 * shade(p)));
    const { data } = calibrateFrame(light, { dark: constantImage(32, 32, 200), flat: lamp }).planes[0];
    const { mean, sd } = moments(data);
    expect(sd / mean).toBeLessThan(1e-6);
  });

  // The formula itself, worked by hand: (200/0.5 + (3/0.5)² + 4) / 0.8² + (250·…)².
  it("propagates variance", () => {
    const light = constantImage(2, 2, 300);
    const masters = {
      bias: constantImage(2, 2, 100),
      dark: withVariance(constantImage(2, 2, 120), 4),
      flat: imageOf(2, 2, [0.8, 1.2, 0.8, 1.2]),
    };
    const flatVariance = derive(masters.flat, { variance: [new Float32Array(4).fill(1e-4)] }, {
      step: "v",
      options: {},
    });
    const options = { electronsPerAdu: 0.5, readNoiseElectrons: 3 };
    const result = calibrateFrame(light, { ...masters, flat: flatVariance }, options);
    const c = 180 / 0.8;
    expect(result.planes[0].data[0]).toBeCloseTo(c, 4);
    const expected = (200 / 0.5 + 36 + 4) / 0.64 + c * c * 1e-4 / 0.64;
    expect(result.variance?.[0][0]).toBeCloseTo(expected, 2);
  });

  it("predicts the scatter it gets", () => {
    const gain = 0.8;
    const read = 3;
    const level = 500;
    const sky = imageOf(128, 128, noisy(128, 128, 100 + level, Math.sqrt(level / gain + (read / gain) ** 2), 9));
    const result = calibrateFrame(sky, { bias: constantImage(128, 128, 100) }, {
      electronsPerAdu: gain,
      readNoiseElectrons: read,
    });
    const predicted = Math.sqrt(moments(result.variance?.[0] ?? []).mean);
    expect(Math.abs(moments(result.planes[0].data).sd / predicted - 1)).toBeLessThan(4 / Math.sqrt(2 * 16384));
  });

  it("marks saturated pixels by the raw level and repairs defects from neighbours", () => {
    const light = imageOf(7, 7, new Float32Array(49).fill(500));
    light.planes[0].data[10] = 65535;
    light.planes[0].data[24] = 9000;
    const defects = createMask(7, 7);
    defects[24] = maskBit.defect;
    const result = calibrateFrame(light, { dark: constantImage(7, 7, 100), defects }, { saturationLevel: 65000 });
    expect(result.planes[0].data[24]).toBe(400);
    expect(result.mask?.[24]).toBe(maskBit.defect | maskBit.repaired);
    expect(result.mask?.[10]).toBe(maskBit.saturated);
    expect(light.planes[0].data[24]).toBe(9000);
  });

  it("gives no data where the flat has no light, and repairs from the neighbours", () => {
    const lamp = imageOf(5, 5, new Float32Array(25).fill(1000));
    lamp.planes[0].data[12] = 0;
    const bare = calibrateFrame(constantImage(5, 5, 10), { flat: lamp }, { repair: false });
    expect(bare.planes[0].data[12]).toBeNaN();
    const repaired = calibrateFrame(constantImage(5, 5, 10), { flat: lamp });
    expect(repaired.planes[0].data[12]).toBeCloseTo(10 * 0.96, 5);
  });

  it("does what can be done and says what lacks", () => {
    const notes = (masters: Parameters<typeof calibrateFrame>[1]) =>
      calibrateFrame(constantImage(4, 4, 500), masters).history.nodes.at(-1)?.notes.join("; ") ?? "";
    expect(notes({})).toContain("no dark and no bias");
    expect(notes({})).toContain("no flat");
    expect(notes({ bias: constantImage(4, 4, 100) })).toContain("no dark: the bias alone was taken off");
    expect(notes({ dark: constantImage(4, 4, 100), flat: constantImage(4, 4, 1) })).toBe("");
  });

  it("says what is wrong", () => {
    const light = constantImage(4, 4, 500);
    expect(() => calibrateFrame(light, { dark: constantImage(4, 3, 1) })).toThrow("images must have one size");
    expect(() => calibrateFrame(light, { dark: constantImage(4, 4, 1) }, { darkScale: 2 })).toThrow(
      "must have both a bias and a dark, but bias is missing",
    );
    expect(() => calibrateFrame(light, {}, { electronsPerAdu: 0 })).toThrow("electronsPerAdu must be > 0");
    expect(() => calibrateFrame(light, { defects: createMask(3, 3) })).toThrow("defects must hold 4 × 4 bytes");
    expect(() => calibrateFrame(constantImage(4, 4, 1, { channels: ["R", "G", "B"] }), {})).toThrow(
      "before the demosaic",
    );
  });
});
