/** How well stars were separated from a scene whose truth is known. */
import { expect } from "vitest";
import type { Scene } from "./scenes_processing.ts";

/**
 * Share of the stars' flux that a separation removed, by their height over the noise; what it did to the free sky, in
 * standard deviations, and to the nebula, as the ratio of its flux to the truth.
 */
export function judgeSeparation(scene: Scene, after: Float32Array, fwhm: number, c = 0) {
  const { width, height } = scene.image;
  const removed: Record<string, number> = {};
  for (const [name, low, high] of [["bright", 200, 2500], ["medium", 30, 200], ["faint", 8, 30]] as const) {
    let flux = 0;
    let left = 0;
    let count = 0;
    const r = Math.ceil(2 * fwhm);
    for (const star of scene.stars) {
      if (!(star.contrast > low && star.contrast <= high)) continue;
      if (star.x < 12 || star.y < 12 || star.x > width - 13 || star.y > height - 13) continue;
      count++;
      for (let y = Math.round(star.y) - r; y <= star.y + r; y++) {
        for (let x = Math.round(star.x) - r; x <= star.x + r; x++) {
          const i = y * width + x;
          if ((x - star.x) ** 2 + (y - star.y) ** 2 > r * r) continue;
          flux += scene.starFlux[c][i];
          left += after[i] - scene.nebula[c][i] - scene.sky - scene.noise[c][i];
        }
      }
    }
    expect(count).toBeGreaterThan(5);
    removed[name] = 1 - left / flux;
  }
  let sky = 0;
  let free = 0;
  let under = 0;
  let truth = 0;
  for (let i = 0; i < after.length; i++) {
    const e = after[i] - scene.sky - scene.noise[c][i];
    if (scene.starFlux[c][i] < 0.02 * scene.sigma) {
      sky += e - scene.nebula[c][i];
      free++;
    } else if (scene.nebula[c][i] > 5 * scene.sigma) {
      under += e;
      truth += scene.nebula[c][i];
    }
  }
  return { removed, sky: sky / free / scene.sigma, nebula: under / truth };
}
