/** How long a sub must be for the read noise not to matter, and what a night then reaches. */

/** Light and noise of one pixel. */
export interface PixelSignal {
  /** Sky and dark current, electrons a second. */
  readonly backgroundRate: number;
  /** Read noise, electrons. */
  readonly readNoiseElectrons: number;
}

/**
 * How much noisier many subs are than one exposure of the same total: √(1 + R² / (b t)), with R the read noise, b the
 * background in electrons a second and t the length of a sub (from the noise terms of Howell 2006, equation 4.4).
 *
 * @param signal light and noise of a pixel
 * @param subSeconds length of a sub
 * @returns 1 for none, 1.05 for five per cent more
 *
 * @example A sky of the square of the read noise makes the noise √2 times as large
 * ```ts
 * import assert from "node:assert/strict";
 * import { readNoiseExcess } from "faintlight/plan";
 *
 * assert.equal(readNoiseExcess({ backgroundRate: 0.04, readNoiseElectrons: 2 }, 100), Math.SQRT2);
 * ```
 */
export const readNoiseExcess = ({ backgroundRate, readNoiseElectrons }: PixelSignal, subSeconds: number): number =>
  Math.sqrt(1 + readNoiseElectrons ** 2 / (backgroundRate * subSeconds));

/**
 * Shortest sub that a person's limit of extra noise allows, seconds: R² / (b ((1 + p)² − 1)).
 *
 * @param signal light and noise of a pixel; the background > 0
 * @param excessShare extra noise that is accepted, > 0: 0.05 is five per cent
 * @throws {RangeError} if the background or the share is not > 0
 *
 * @example Five per cent need a background of ten times the square of the read noise
 * ```ts
 * import assert from "node:assert/strict";
 * import { shortestSub } from "faintlight/plan";
 *
 * assert.equal(shortestSub({ backgroundRate: 1, readNoiseElectrons: 1 }, 0.05).toFixed(2), "9.76");
 * ```
 */
export function shortestSub({ backgroundRate, readNoiseElectrons }: PixelSignal, excessShare: number): number {
  if (!(backgroundRate > 0)) {
    throw new RangeError(`shortestSub: backgroundRate must be > 0, but got ${backgroundRate}`);
  }
  if (!(excessShare > 0)) throw new RangeError(`shortestSub: excessShare must be > 0, but got ${excessShare}`);
  return readNoiseElectrons ** 2 / (backgroundRate * ((1 + excessShare) ** 2 - 1));
}

/** What is measured: electrons a second from the target, over a number of pixels. */
export interface PlannedExposure extends PixelSignal {
  /** From the target, electrons a second, over all pixels. */
  readonly targetRate: number;
  /** Pixels that are summed: 1 / scale² for a square arcsecond. */
  readonly pixels: number;
  /** Length of a sub. */
  readonly subSeconds: number;
  /** How many of them. */
  readonly subs: number;
}

/**
 * Signal over noise that a night will reach, by the CCD equation: N / √(N + n (B + m R²)), with N the electrons of the
 * target, n pixels, B the electrons of sky and dark in each, m subs of read noise R (Merline & Howell 1995,
 * Exp. Astron. 6, 163; Howell 2006, equation 4.4, without the small term of the background's estimate).
 *
 * @param plan light, noise and time
 *
 * @example Four times the subs, twice the SNR
 * ```ts
 * import assert from "node:assert/strict";
 * import { plannedSnr } from "faintlight/plan";
 *
 * const plan = { targetRate: 0.2, pixels: 4, backgroundRate: 0.5, readNoiseElectrons: 2, subSeconds: 120, subs: 30 };
 * assert.equal((plannedSnr({ ...plan, subs: 120 }) / plannedSnr(plan)).toFixed(6), "2.000000");
 * ```
 */
export function plannedSnr(plan: PlannedExposure): number {
  const { targetRate, pixels, backgroundRate, readNoiseElectrons, subSeconds, subs } = plan;
  const seconds = subs * subSeconds;
  const target = targetRate * seconds;
  return target / Math.sqrt(target + pixels * (backgroundRate * seconds + subs * readNoiseElectrons ** 2));
}

/**
 * Hours of light for a wanted SNR. SNR grows as the root of the time, whatever the noise is made of.
 *
 * @param plan light, noise and the length of a sub
 * @param snr signal over noise, > 0
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { hoursForSnr } from "faintlight/plan";
 *
 * const plan = { targetRate: 0.01, pixels: 1, backgroundRate: 0.1, readNoiseElectrons: 2, subSeconds: 300 };
 * assert.equal(hoursForSnr(plan, 5).toFixed(1), "8.6");
 * ```
 */
export function hoursForSnr(plan: Omit<PlannedExposure, "subs">, snr: number): number {
  return (snr / plannedSnr({ ...plan, subs: 1 })) ** 2 * plan.subSeconds / 3600;
}
