/** Extinction of clear air, fitted to the frames of a night. */

/** A frame's airmass and the flux of its stars over that of the reference. */
export interface AirmassRatio {
  /** Thickness of air over that in the zenith. */
  readonly airmass: number;
  /** Flux ratio. */
  readonly ratio: number;
}

/** Frames, and span of airmass, from which on extinction is fitted. */
const minimumFrames = 8;
const minimumSpan = 0.15;

/**
 * Largest extinction, ln T for one unit of airmass: 0.43 magnitudes, a hazy summer night (common practice, no source).
 * The bound keeps a cloud that comes with the setting target from passing for air.
 */
const maximumExtinction = 0.4;
const extinctionStep = 0.01;

/**
 * Extinction of clear air, as the upper border of the ratios against airmass shows it: ln T = a − k X. The k with which
 * the clear half of the frames lies closest together; 0 where there are too few frames to tell.
 */
export function fitExtinction(points: readonly AirmassRatio[]): number {
  if (points.length < minimumFrames) return 0;
  const airmasses = points.map((each) => each.airmass);
  const span = Math.max(...airmasses) - Math.min(...airmasses);
  if (!(span > minimumSpan)) return 0;
  let best = 0;
  let leastSpread = Infinity;
  // a hundredth of a step more, so that the sum of the steps reaches the bound
  for (let k = 0; k <= maximumExtinction + 0.0001; k += extinctionStep) {
    const lifted = points.map((each) => Math.log(each.ratio) + k * each.airmass).sort((a, b) => a - b);
    const n = lifted.length;
    const spread = lifted[n - 1 - Math.floor(0.05 * n)] - lifted[Math.floor(0.5 * n)];
    if (spread < leastSpread - 1e-12) {
      leastSpread = spread;
      best = k;
    }
  }
  return best;
}
