/** The sky between the stars of a frame that are known. */
import { returnPlane } from "../core/memory.ts";
import type { Raster } from "../core/raster.ts";
import type { Star } from "../core/star.ts";
import { blockMeans, tileStatistics } from "../kernels/detection.ts";
import { medianInPlace } from "../stats/samples.ts";
import { withCoarseNoise } from "./coarse_noise.ts";
import { moffatFwhm } from "./moffat.ts";
import type { Sampling } from "../core/sampling.ts";
import type { StarSearch } from "./search_stars.ts";

/** Stars are left out to where they have fallen to this share of the noise of a sample of the grid. */
const maskedNoiseShare = 0.1;
/** Least share of the tiles that must be left: with fewer there is no sky to see between the stars. */
const minimumTileShare = 0.25;

/** Set the samples of a 2 × 2 grid to NaN as far as the stars' profile is above a level. */
function maskStars(
  { data, width, height }: Raster,
  stars: readonly Star[],
  { alpha, exponent }: { readonly alpha: number; readonly exponent: number },
  limit: number,
): void {
  for (const star of stars) {
    const fall = star.peak / limit;
    if (!(fall > 1)) continue;
    // A trailed star is as long as its eccentricity says.
    const stretch = (1 - Math.min(0.99, star.eccentricity) ** 2) ** -0.25;
    const reach = stretch * alpha * Math.sqrt(fall ** (1 / exponent) - 1) / 2;
    const x0 = (star.x - 0.5) / 2;
    const y0 = (star.y - 0.5) / 2;
    for (let y = Math.max(0, Math.ceil(y0 - reach)); y <= Math.min(height - 1, y0 + reach); y++) {
      const half = Math.sqrt(reach * reach - (y - y0) ** 2);
      const from = Math.max(0, Math.ceil(x0 - half));
      const to = Math.min(width - 1, Math.floor(x0 + half));
      if (from <= to) data.fill(NaN, y * width + from, y * width + to + 1);
    }
  }
}

/**
 * Median level of the sky and noise of a pixel, with the stars left out as far as their profile reaches. Where stars
 * stand close, their wings lift the level that the search found before it knew them by a fifth of the noise.
 *
 * @param fwhmPixels of the frame's stars
 * @param beta exponent of their Moffat profile
 */
export function maskedBackground(
  sampling: Sampling,
  seen: StarSearch,
  stars: readonly Star[],
  fwhmPixels: number,
  beta: number,
): { level: number; noise: number } {
  const before = { level: seen.background, noise: seen.noise };
  if (stars.length === 0 || !(fwhmPixels > 0)) return before;
  const grid = blockMeans(sampling.data, sampling.width, sampling.height, sampling.parity);
  const exponent = Math.max(2, Math.min(6, beta));
  maskStars(grid, stars, { alpha: fwhmPixels / moffatFwhm(exponent), exponent }, maskedNoiseShare * seen.gridNoise);
  const perPixel = seen.noise / seen.gridNoise;
  const { level, noise } = withCoarseNoise(tileStatistics(grid, seen.mesh.tile), grid, sampling, perPixel);
  const known = level.filter((v) => v === v);
  returnPlane(grid.data);
  if (known.length < minimumTileShare * level.length) return before;
  return { level: medianInPlace(known), noise: perPixel * medianInPlace(noise.filter((v) => v === v)) };
}
