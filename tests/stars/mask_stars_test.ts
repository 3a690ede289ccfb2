import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/core/image.ts";
import { maskStars } from "../../lib/stars/mask_stars.ts";
import { makeScene, moffat } from "../support/scenes_processing.ts";

describe("maskStars", () => {
  it("covers bright stars, leaves the sky free, and reaches further out for brighter stars", () => {
    const scene = makeScene({ seed: 46, width: 320, height: 240, stars: 30, brightest: 2000, faintest: 50 });
    const mask = maskStars(scene.image).planes[0].data;
    let covered = 0;
    let bright = 0;
    let wrong = 0;
    let free = 0;
    for (let i = 0; i < mask.length; i++) {
      if (scene.starFlux[0][i] > 3 * scene.sigma) {
        bright++;
        if (mask[i] > 0.5) covered++;
      } else if (scene.starFlux[0][i] < 0.1 * scene.sigma) {
        free++;
        if (mask[i] > 0.5) wrong++;
      }
    }
    expect(covered / bright).toBeGreaterThan(0.95);
    expect(wrong / free).toBeLessThan(0.01);
  });

  it("covers halo and spikes of a cut star, and nothing that far out beside the spikes", () => {
    const scene = makeScene({ seed: 52, width: 320, height: 240, stars: 40, brightest: 200, faintest: 20, fwhm: 3 });
    const data = scene.image.planes[0].data.map((v, i) => {
      const x = i % 320 - 150.2;
      const y = Math.floor(i / 320) - 120.4;
      const r = Math.hypot(x, y);
      const halo = 40 * Math.exp(-0.5 * (r / 14) ** 2);
      const spike = 4000 / (1 + r) * Math.exp(-0.5 * (y / 1.3) ** 2) * (r < 70 ? 1 : 0);
      return Math.min(50_000, v + 400_000 * moffat(r * r, 3) + halo + spike);
    });
    const image = createImage({ width: 320, height: 240, unit: "adu", planes: [{ channel: "L", data }] });
    const mask = maskStars(image).planes[0].data;
    const at = (x: number, y: number) => mask[y * 320 + x];
    // Halo, in all directions.
    for (let k = 0; k < 8; k++) {
      expect(at(Math.round(150 + 20 * Math.cos(k * Math.PI / 4)), Math.round(120 + 20 * Math.sin(k * Math.PI / 4))))
        .toBeGreaterThan(0.9);
    }
    // Spikes to the left and right, out to 55 pixels of 70; twice as far as the halo.
    for (const x of [100, 110, 190, 200]) expect(at(x, 120)).toBeGreaterThan(0.9);
    let beside = 0;
    let n = 0;
    for (const dy of [-16, -12, 12, 16]) {
      for (const x of [95, 100, 200, 205]) {
        if (scene.starFlux[0][(120 + dy) * 320 + x] > 0.5 * scene.sigma) continue;
        beside += at(x, 120 + dy) > 0.5 ? 1 : 0;
        n++;
      }
    }
    expect(beside).toBeLessThanOrEqual(n / 8);
  });
});
