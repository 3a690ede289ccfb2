/** How much each kept frame counts in its stack. */
import { settle } from "../core/options.ts";

/** What the weight of a frame depends on. */
export interface WeightInput {
  /** Flux that arrived, relative to clear frames. NaN or null counts as 1. */
  readonly transparency: number | null;
  /** Noise of a pixel of sky, one unit for all frames of the stack. */
  readonly noise: number;
  /** Full width at half maximum, one unit for all frames of the stack. NaN or null counts as the median. */
  readonly fwhm: number | null;
  /** Whether the frame goes into the stack. */
  readonly kept: boolean;
}

/** Options of {@linkcode weightFrames}. */
export interface WeightFramesOptions {
  /**
   * Exponent of sharpness: 0 is best for extended sources, 2 for point sources in the sky limit (their noise area grows
   * with FWHM²).
   */
  readonly sharpness: number;
}

/**
 * What {@linkcode weightFrames} uses for an option left out: 1, the geometric mean of the two optima; a picture has
 * both.
 */
export const weightFramesDefaults: WeightFramesOptions = Object.freeze({ sharpness: 1 });

/**
 * Weights of the frames of one stack:
 *
 *     w ∝ (T / σ)² · (F₀ / F)^sharpness          mean 1 over the kept frames, 0 for the others
 *
 * T is the transparency and σ the noise of a frame, so that T/σ is the signal over noise of a frame brought to equal
 * flux; weights T²/σ² give the stack the highest signal-to-noise ratio for extended sources (Cauchy–Schwarz),
 * T²/(σ² F²) for stars (noise-equivalent area ∝ F²; King 1983, PASP 95, 163).
 *
 * @throws {RangeError} if sharpness is negative or a kept frame's noise is not above 0
 *
 * @example A frame with half the flux counts a quarter
 * ```ts
 * import assert from "node:assert/strict";
 * import { weightFrames } from "faintlight";
 *
 * const weights = weightFrames([
 *   { transparency: 1, noise: 10, fwhm: 3, kept: true },
 *   { transparency: 0.5, noise: 10, fwhm: 3, kept: true },
 *   { transparency: 1, noise: 10, fwhm: 3, kept: false },
 * ]);
 * assert.deepEqual(weights.map((each) => Math.round(each * 10) / 10), [1.6, 0.4, 0]);
 * ```
 */
export function weightFrames(frames: readonly WeightInput[], options: Partial<WeightFramesOptions> = {}): number[] {
  const { sharpness } = settle("weightFrames", weightFramesDefaults, options);
  if (!(sharpness >= 0)) throw new RangeError(`weightFrames: sharpness must be ≥ 0, but got ${sharpness}`);
  const kept = frames.filter((frame) => frame.kept);
  const widths = kept.map((frame) => frame.fwhm ?? NaN).filter((each) => each > 0).sort((a, b) => a - b);
  const typical = widths.length === 0 ? 1 : widths[widths.length >> 1];
  const raw = frames.map((frame) => {
    if (!frame.kept) return 0;
    if (!(frame.noise > 0)) throw new RangeError(`weightFrames: noise must be > 0, but got ${frame.noise}`);
    const t = frame.transparency !== null && frame.transparency > 0 ? frame.transparency : 1;
    const f = frame.fwhm !== null && frame.fwhm > 0 ? frame.fwhm : typical;
    return (t / frame.noise) ** 2 * (typical / f) ** sharpness;
  });
  const total = raw.reduce((sum, each) => sum + each, 0);
  return raw.map((each) => total > 0 ? each * kept.length / total : 0);
}

/** What leaving frames out costs and gains. */
export interface SelectionEffect {
  /** Frames kept. */
  readonly kept: number;
  /** Frames left out. */
  readonly left: number;
  /**
   * Signal-to-noise ratio of the stack's extended sources over that with all frames in, both with the weights of
   * `weightFrames`.
   */
  readonly depth: number;
  /** FWHM of the stack over that with all frames in: weighted mean of FWHM², root. */
  readonly width: number;
}

/**
 * Compare the stack of the kept frames with that of all frames: what a rejection costs in depth and gains in
 * sharpness, before it is taken. Frames whose flux or noise is not known count as nothing.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { selectionEffect } from "faintlight";
 *
 * const effect = selectionEffect([
 *   { transparency: 1, noise: 10, fwhm: 3, kept: true },
 *   { transparency: 1, noise: 10, fwhm: 6, kept: false },
 * ], { sharpness: 0 });
 * assert.ok(Math.abs(effect.depth - Math.SQRT1_2) < 1e-12);
 * assert.ok(effect.width < 1);
 * ```
 */
export function selectionEffect(
  frames: readonly WeightInput[],
  options: Partial<WeightFramesOptions> = {},
): SelectionEffect {
  // A cap's noise is the lowest of the night: a frame without light adds nothing, however quiet it is.
  const known = frames.filter((frame) => frame.noise > 0 && (frame.kept || (frame.transparency ?? 0) > 0));
  const sums = (list: readonly WeightInput[]) => {
    const weights = weightFrames(list.map((frame) => ({ ...frame, kept: true })), options);
    let signal = 0;
    let variance = 0;
    let width = 0;
    let total = 0;
    list.forEach((frame, i) => {
      const t = frame.transparency !== null && frame.transparency > 0 ? frame.transparency : 1;
      // Frames are brought to equal flux first, which divides their noise by T.
      signal += weights[i];
      variance += (weights[i] * frame.noise / t) ** 2;
      if (frame.fwhm !== null && frame.fwhm > 0) {
        width += weights[i] * frame.fwhm ** 2;
        total += weights[i];
      }
    });
    return { snr: variance > 0 ? signal / Math.sqrt(variance) : 0, width: total > 0 ? Math.sqrt(width / total) : NaN };
  };
  const all = sums(known);
  const some = sums(known.filter((frame) => frame.kept));
  return {
    kept: frames.filter((frame) => frame.kept).length,
    left: frames.filter((frame) => !frame.kept).length,
    depth: all.snr > 0 ? some.snr / all.snr : 0,
    width: some.width / all.width,
  };
}
