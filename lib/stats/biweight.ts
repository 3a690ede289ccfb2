/** Tukey's biweight, location and scale. */
import { medianOf, type Samples } from "./samples.ts";

/**
 * Biweight location: M + Σ (x − M)(1 − u²)² / Σ (1 − u²)² over |u| < 1, u = (x − M) / (tuning · MAD) (Beers, Flynn &
 * Gebhardt 1990, AJ 100, 32, who use 6). The median when the median absolute deviation is 0. NaN is left out.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { biweightLocation } from "faintlight/stats";
 *
 * assert.ok(Math.abs(biweightLocation([1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 100]) - 5.551205656954) < 1e-10);
 * ```
 */
export function biweightLocation(values: Samples, tuning: number = 6): number {
  const centre = medianOf(values);
  const spread = medianOf(values, centre);
  if (!(spread > 0)) return centre;
  let top = 0;
  let bottom = 0;
  for (let i = 0; i < values.length; i++) {
    const d = values[i] - centre;
    const u = d / (tuning * spread);
    if (!(Math.abs(u) < 1)) continue;
    const w = (1 - u * u) ** 2;
    top += d * w;
    bottom += w;
  }
  return centre + top / bottom;
}

/**
 * Biweight scale: √n √Σ (x − M)²(1 − u²)⁴ / |Σ (1 − u²)(1 − 5u²)| over |u| < 1 (Beers, Flynn & Gebhardt 1990, AJ 100,
 * 32, who use 9). 0 when the median absolute deviation is 0. NaN is left out.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { biweightScale } from "faintlight/stats";
 *
 * assert.ok(Math.abs(biweightScale([1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 100]) - 3.144596551212) < 1e-10);
 * ```
 */
export function biweightScale(values: Samples, tuning: number = 9): number {
  const centre = medianOf(values);
  const spread = medianOf(values, centre);
  if (!(spread > 0)) return spread;
  let top = 0;
  let bottom = 0;
  let n = 0;
  for (let i = 0; i < values.length; i++) {
    const d = values[i] - centre;
    const u = d / (tuning * spread);
    if (u !== u) continue;
    n++;
    if (!(Math.abs(u) < 1)) continue;
    const v = 1 - u * u;
    top += d * d * v ** 4;
    bottom += v * (1 - 5 * u * u);
  }
  return Math.sqrt(n) * Math.sqrt(top) / Math.abs(bottom);
}
