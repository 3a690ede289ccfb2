import { describe, expect, it } from "vitest";
import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { removeCosmicRays, subsampledLaplacian } from "../../lib/calibrate/remove_cosmic_rays.ts";
import { constantImage } from "../../lib/core/image.ts";
import { maskBit } from "../../lib/core/mask.ts";
import { imageFromRows } from "faintlight";
import { gauss } from "../support/numbers.ts";
import { imageOf, storedValues } from "./support.ts";

function publishedRays(): { rows: number[][]; found: number[][]; readnoise: number } {
  const path = fileURLToPath(new URL("../../fixtures/published/values.json", import.meta.url));
  return JSON.parse(readFileSync(path, "utf8")).rays;
}

describe("removeCosmicRays", () => {
  // van Dokkum 2001: subsampled by 2, convolved with the Laplacian, cut at 0, averaged back; scipy gives the same.
  it("has the Laplacian of the paper: 2 on a unit spike, 0 beside it", () => {
    const spike = new Float32Array(49);
    spike[24] = 1;
    const result = subsampledLaplacian(spike, 7, 7);
    expect(result[24]).toBe(2);
    expect(result.reduce((a, b) => a + b, 0)).toBe(2);
  });

  const field = new Float32Array(64 * 64);
  const noise = gauss(4096, 11);
  for (let p = 0; p < 4096; p++) {
    const x = p % 64;
    const y = Math.floor(p / 64);
    field[p] = 100 + 1000 * Math.exp(-((x - 20.3) ** 2 + (y - 31.7) ** 2) / 8) + 10 * noise[p];
  }
  const hits: [number, number][] = [[40, 40], [10, 50], [11, 51], [55, 12], [55, 13], [55, 14], [55, 15], [55, 16], [
    55,
    17,
  ]];
  for (const [row, column] of hits) {
    field[row * 64 + column] += row === 40 ? 500 : row === 10 ? 800 : row === 11 ? 700 : 600;
  }
  const result = removeCosmicRays(imageOf(64, 64, field), { readNoiseElectrons: 10 });
  const found: [number, number][] = [];
  result.mask?.forEach((bits, p) => {
    if (bits & maskBit.cosmicRay) found.push([Math.floor(p / 64), p % 64]);
  });

  it("finds all nine hits and nothing of the star", () => {
    for (const hit of hits) expect(found).toContainEqual(hit);
    expect(found.length).toBeLessThanOrEqual(hits.length + 2);
    for (const [y, x] of found) expect(Math.hypot(x - 20.3, y - 31.7)).toBeGreaterThan(4);
  });

  // astroscrappy 1.3.0 through fixtures/combine/generate.py, same limits, true medians.
  it("finds the same pixels as astroscrappy", () => {
    expect(found).toEqual(storedValues().astroscrappy.hits.map(([y, x]) => [y, x]));
  });

  // van Dokkum 2001, as astroscrappy 1.3.0 carries it out on stars as sharp as the seeing lets them be, photon noise,
  // single pixels and a track: fixtures/published/generate.py.
  it("finds the same pixels in a frame of the paper's kind", () => {
    const { rows, found: theirs, readnoise } = publishedRays();
    const swept = removeCosmicRays(imageFromRows(rows), { readNoiseElectrons: readnoise });
    const ours = Array.from(
      swept.mask ?? [],
      (bits, p) => bits & maskBit.cosmicRay ? [Math.floor(p / 64), p % 64] : [],
    );
    expect(ours.filter((place) => place.length > 0)).toEqual(theirs);
  });

  it("puts the sky back", () => {
    for (const [row, column] of hits) expect(Math.abs(result.planes[0].data[row * 64 + column] - 100)).toBeLessThan(20);
  });

  it("says what is wrong", () => {
    expect(() => removeCosmicRays(constantImage(4, 4, 1), { electronsPerAdu: 0 })).toThrow(
      "electronsPerAdu must be > 0",
    );
    expect(() => removeCosmicRays(imageOf(2, 2, [1, 1, 1, 1], "RGGB"))).toThrow("split the mosaic first");
  });
});
