import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { plainGeometry } from "../../lib/doors/geometry.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { type Image, photonTransfer } from "../../lib/mod.ts";

function frame(
  seed: string,
  electrons: readonly number[],
  gain: number,
  readNoise: number,
  quantised = false,
  side = 500,
): Image {
  const random = randomStream(seed);
  const mosaic = electrons.length === 4;
  const data = Float32Array.from({ length: side * side }, (_, i) => {
    const phase = mosaic ? (Math.floor(i / side) & 1) * 2 + (i % side & 1) : 0;
    const value = 500 + (random.poisson(electrons[phase]) + readNoise * random.gaussian()) / gain;
    return quantised ? Math.round(value) : value;
  });
  return createImage({
    width: side,
    height: side,
    unit: "adu",
    planes: [{ channel: mosaic ? "mosaic" : "L", data }],
    geometry: { ...plainGeometry, bayer: mosaic ? "RGGB" : null },
  });
}

describe("photonTransfer", () => {
  it("finds gain and read noise of a simulated pair: 0.8 e⁻/ADU, 3.5 e⁻, 20 000 e⁻, 500 × 500 (Janesick 2001)", () => {
    const of = (name: string, level: number) => frame(name, [level], 0.8, 3.5);
    const result = photonTransfer([of("a", 20000), of("b", 20000)], [of("c", 0), of("d", 0)], { middleShare: 1 });
    // √(2/250 000) = 0.28 %: two of them; the read noise adds 1/√(2·250 000)
    expect(Math.abs(result.electronsPerAdu / 0.8 - 1)).toBeLessThan(0.006);
    expect(Math.abs(result.readNoiseElectrons / 3.5 - 1)).toBeLessThan(0.01);
    expect(Math.abs(result.correlation - 1)).toBeLessThan(0.02);
    expect(Math.abs(result.biasLevel - 500)).toBeLessThan(0.1);
    expect(result.relativeError).toBeCloseTo(Math.sqrt(2 / 250000), 12);
  });
  it("scales flats of different level and takes the noise of whole numbers off", () => {
    const of = (name: string, level: number) => frame(name, [level], 3, 2, true);
    const result = photonTransfer([of("a", 30000), of("b", 24000)], [of("c", 0), of("d", 0)], { middleShare: 1 });
    expect(Math.abs(result.electronsPerAdu / 3 - 1)).toBeLessThan(0.01);
    // 2 e⁻ are 0.67 ADU: rounding adds 0.29 ADU in square, 9 %
    expect(Math.abs(result.readNoiseElectrons / 2 - 1)).toBeLessThan(0.03);
  });
  it("does each colour of a mosaic by itself", () => {
    const of = (name: string, level: number) => frame(name, [level / 2, level, level, level / 3], 1.2, 2, false, 240);
    const result = photonTransfer([of("a", 20000), of("b", 20000)], [of("c", 0), of("d", 0)], { middleShare: 1 });
    expect(result.phases.length).toBe(4);
    for (const gain of result.phases) expect(Math.abs(gain / 1.2 - 1)).toBeLessThan(0.05);
  });
  it("tells a camera that smooths its pixels", () => {
    const smooth = (image: Image): Image => {
      const { data } = image.planes[0];
      const mixed = data.map((v, i) => i + 1 < data.length ? 0.6 * v + 0.4 * data[i + 1] : v);
      return createImage({ width: 500, height: 500, unit: "adu", planes: [{ channel: "L", data: mixed }] });
    };
    const of = (name: string, level: number) => smooth(frame(name, [level], 0.8, 3.5));
    expect(photonTransfer([of("a", 20000), of("b", 20000)], [of("c", 0), of("d", 0)]).correlation).toBeGreaterThan(1.3);
  });
  it("refuses what cannot be", () => {
    const flat = frame("a", [9000], 1, 3, false, 64);
    const bias = frame("b", [0], 1, 3, false, 64);
    expect(() => photonTransfer([bias, bias], [flat, frame("c", [9000], 1, 3, false, 64)])).toThrow(
      "flats must be noisier than bias",
    );
    expect(() => photonTransfer([flat, flat], [bias, bias], { middleShare: 0 })).toThrow(
      "middleShare must lie above 0",
    );
  });
});
