/** Stacking: many frames, on disk or in memory, become one stack. */
import type { Canvas } from "../core/canvas.ts";
import { combineFrames } from "./combine_frames.ts";
import type { Stack } from "./finish_stack.ts";
import type { FrameToStack } from "./frame_to_stack.ts";
import { type StackFramesOptions, stackParameters } from "./stack_options.ts";

/**
 * Combine frames on a canvas, streaming: for each tile of the canvas every frame's part is read from its file,
 * calibrated, repaired, demosaiced, resampled once and normalised; outliers are left out; what is kept goes into a
 * weighted mean. Files are read by region, so that a thousand frames need no more memory than the canvas and
 * 128 MiB of samples a worker.
 *
 * In: frames of any size, mono, mosaic (interpolated to R, G, B) or colour, all with the same channels, as paths or
 * images. Out: a {@linkcode Stack} on the canvas in the unit of the normalised frames; NaN where no frame has data.
 * Verdicts, counts and sums of a pixel depend on its own samples only: any number of workers gives the same bytes, and
 * another order of the frames the same up to float64 rounding (the halves follow the order). At least max(3, n/2) of n
 * samples are kept. Cost: each sample is read and resampled once and judged in a dozen passes.
 *
 * Rejection: of three samples and more one is left out when it is farther from their centre than
 *
 *     limit · s · r + structure · g
 *
 * with centre and scale s by Huber's Proposal 2 (Huber 1981, chapter 6) whose variance is moderated by a known one
 * (Smyth 2004, Stat. Appl. Genet. Mol. Biol. 3, 3), s² = (Σu²/0.7785 + 32 σ²) / (n − 1 + 32). σ² and the noise r of
 * each frame relative to the others' are measured beforehand on the frames as they arrive on the canvas, in windows
 * spread over it; above the level of that sky σ² grows with the signal. `limit` loses `falseRejectionShare` a side of
 * Gaussian noise (own Monte Carlo). g is the range of the centres of the 3 × 3 pixels around less what noise makes of
 * it: seeing, guiding and registration carry flux back and forth between neighbours (a tenth of the FWHM changes a
 * star's peak by 0.45 g); the price is that an outlier on a star that is smaller than the star's own slope stays. One
 * or two samples are judged by the frames' own noise, two as `pairLimit` says.
 *
 * While drizzling (Fruchter & Hook 2002, PASP 114, 144) a first, interpolated stack is made to judge each sample by
 * (Koekemoer et al. 2002): it is left out when it differs by more than the noise model and the slope there allow,
 * repaired pixels never take part, and the variance comes from the noise model. Else the variance is that of the mean,
 * from the scatter of the kept samples: Σw²(x−μ)²/(Σw)² · n/(n−1).
 *
 * @param frames the frames; unreadable ones, also such that break off in the middle, are left out and reported
 * @param canvas grid of the stack: {@linkcode referenceCanvas}, {@linkcode intersectionCanvas} …
 * @param options see {@linkcode StackFramesOptions}
 * @throws {RangeError} if no frame is usable, frames differ in channels, or an option or weight is out of range
 * @throws {TypeError} if an image is a finished picture
 *
 * @example A satellite over one of eight frames leaves no trace
 * ```ts
 * import assert from "node:assert/strict";
 * import { constantImage, stackFrames } from "faintlight";
 * import { referenceCanvas } from "faintlight/geometry";
 *
 * const levels = [100, 101, 99, 100, 102, 98, 100, 5000];
 * const frames = levels.map((level) => ({ source: constantImage(8, 8, level) }));
 * const { image, rejections } = stackFrames(frames, referenceCanvas(frames[0].source));
 * assert.equal(image.planes[0].data[0], 100);
 * assert.equal(rejections.planes[1].data[0], 1); // one sample brighter than the others
 * ```
 */
export function stackFrames(
  frames: readonly FrameToStack[],
  canvas: Canvas,
  options: Partial<StackFramesOptions> = {},
): Stack {
  return combineFrames(frames, canvas, stackParameters(options));
}
