/** Rings about bright stars: their levels, and how dark the darkest is. */
import type { Point } from "../core/geometry.ts";
import type { Raster } from "../core/raster.ts";
import { median } from "../stats/median.ts";
import type { StarList } from "../stars/detect_stars.ts";

/** Inner and outer radius, pixels. */
export type Ring = readonly [inner: number, outer: number];

/** Stars of at least this signal-to-noise ratio are bright: their rings are known far better than the sky's noise. */
export const minimumRingSnr = 50;
/** Stars whose rings are measured, at most: the brightest. */
const maximumRingStars = 40;
/** Rings that are searched for darkness, and the one they are compared with, FWHM. */
const darkRings: readonly Ring[] = [[1, 1.5], [1.5, 2.1], [2.1, 3]];
const surroundings: Ring = [5, 6.5];

/** Visit the samples of a ring about a place. */
export function visitRing(
  { width, height }: Pick<Raster, "width" | "height">,
  { x, y }: Point,
  [inner, outer]: Ring,
  visit: (i: number, j: number) => void,
): void {
  for (let j = Math.max(0, Math.ceil(y - outer)); j <= Math.min(height - 1, y + outer); j++) {
    for (let i = Math.max(0, Math.ceil(x - outer)); i <= Math.min(width - 1, x + outer); i++) {
      const d = (i - x) * (i - x) + (j - y) * (j - y);
      if (d >= inner * inner && d <= outer * outer) visit(i, j);
    }
  }
}

/** Median of a part of a ring; NaN where the image ends. */
export const ringMedian = (list: readonly number[]): number => list.length < 6 ? NaN : median(list);

/** Median of the samples of a ring about a place. */
export function ringLevel(raster: Raster, place: Point, ring: Ring): number {
  const { data, width } = raster;
  const list: number[] = [];
  visitRing(raster, place, ring, (i, j) => list.push(data[j * width + i]));
  return ringMedian(list);
}

/** How far the darkest of three rings about the bright stars lies below their surroundings, in standard deviations. */
export function ringDepth(raster: Raster, { stars, fwhmPixels: fwhm }: StarList, noise: number): number {
  if (!(fwhm > 0) || !(noise > 0)) return 0;
  const bright = stars.filter((s) => s.snr > minimumRingSnr).slice(0, maximumRingStars);
  const depths = bright.flatMap((star) => {
    const level = ([inner, outer]: Ring) => ringLevel(raster, star, [inner * fwhm, outer * fwhm]);
    const around = level(surroundings);
    const lowest = Math.min(...darkRings.map(level).filter((v) => v === v), around);
    return around === around ? [(around - lowest) / noise] : [];
  });
  return depths.length < 3 ? 0 : median(depths);
}
