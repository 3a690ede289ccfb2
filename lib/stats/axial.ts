/** Directions without a sense (position angles of elongated stars): 0° and 180° are the same. */
import type { Samples } from "./samples.ts";

/** Result of {@linkcode axialMean}. */
export interface AxialMean {
  /** Mean direction, 0 … 180. NaN without samples. */
  readonly degrees: number;
  /** Mean resultant length of the doubled angles: 1 all parallel, 0 no common direction. */
  readonly alignment: number;
  /** Probability of such an alignment among random directions, exp(−n R²). */
  readonly chance: number;
}

/**
 * Mean of axes, by doubling the angles (Mardia & Jupp 2000, Directional Statistics). NaN is left out.
 *
 * @param degrees directions, any period of 180°
 * @param weights weight of each, or equal weights
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { axialMean } from "faintlight/stats";
 *
 * const mean = axialMean([175, 5]);
 * assert.ok(Math.min(mean.degrees, 180 - mean.degrees) < 1e-9);
 * ```
 */
export function axialMean(degrees: Samples, weights: Samples | null = null): AxialMean {
  let c = 0;
  let s = 0;
  let total = 0;
  let n = 0;
  for (let i = 0; i < degrees.length; i++) {
    const w = weights === null ? 1 : weights[i];
    if (degrees[i] !== degrees[i] || !(w > 0)) continue;
    const angle = degrees[i] * Math.PI / 90;
    c += w * Math.cos(angle);
    s += w * Math.sin(angle);
    total += w;
    n++;
  }
  if (n === 0) return { degrees: NaN, alignment: NaN, chance: NaN };
  const alignment = Math.hypot(c, s) / total;
  return {
    degrees: ((Math.atan2(s, c) * 90 / Math.PI) + 180) % 180,
    alignment,
    chance: Math.exp(-n * alignment * alignment),
  };
}
