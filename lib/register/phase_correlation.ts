/** The shift between two frames from their pixels, for fields where stars cannot be listed. */
import type { Point } from "../core/geometry.ts";
import { type Image, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { Transform } from "../core/transform.ts";
import { correlate, type Correlation, noiseAlong, type Peak, refinePeak } from "./correlate.ts";
import type { ComplexPlane } from "./fourier.ts";
import { binned, greyOf, removePattern, spectrumOf } from "./prepare_spectrum.ts";

/** Options of {@linkcode phaseCorrelate}. */
export interface PhaseCorrelateOptions {
  /** Steps a pixel of the final search. */
  readonly upsampling: number;
  /** Width (FWHM) of the smoothing against pixel noise, pixels; 0 smooths nothing. */
  readonly smoothingPixels: number;
  /** What both frames hold besides the sky (the median of a drifting night), same size and unit; `null` for none. */
  readonly pattern: Image | null;
  /** Whether the frame may also lie upside down (after the meridian flip). */
  readonly flip: boolean;
  /** Frames with longer sides are binned to this, pixels. */
  readonly maximumSide: number;
  /** Expected number of peaks by mere chance that is still accepted. */
  readonly falseAlarms: number;
}

/**
 * Defaults of {@linkcode phaseCorrelate}. A hundredth of a pixel is finer than any frame allows; 3 pixels is the width
 * of a star on a well-chosen sensor; one wrong shift in 10 000 frames as in star matching.
 */
export const phaseCorrelateDefaults: Readonly<PhaseCorrelateOptions> = Object.freeze({
  upsampling: 100,
  smoothingPixels: 3,
  pattern: null,
  flip: false,
  maximumSide: 1024,
  falseAlarms: 1e-4,
});

/** How frames are made ready for the correlation. */
export interface CorrelationRules {
  /** Taper towards the borders, so that they do not count as structure. */
  readonly window: "hann" | "none";
  /**
   * Whether all frequencies up to the smoothing count alike (phase correlation) or by their power (plain correlation).
   */
  readonly whiten: boolean;
  /** Whether rows, columns and single pixels that stick out are levelled first: what stands still must not win. */
  readonly removePattern: boolean;
}

/** With equal frequencies the peak stood four times as high over the rest on real trailed subs. */
const skyRules: CorrelationRules = Object.freeze({ window: "hann", whiten: true, removePattern: true });

/** Result of {@linkcode phaseCorrelate}. */
export interface PhaseCorrelation {
  /** Source pixel → reference pixel: a shift, or half a turn with a shift. */
  readonly transform: Transform;
  /** Reference place of the source's first pixel; for an upright frame the shift itself. */
  readonly shift: Point;
  /** Height of the peak over the spread of the correlation elsewhere. */
  readonly significance: number;
  /** Whether that is more than chance gives. */
  readonly trusted: boolean;
  /** Whether the frame lies upside down. */
  readonly flipped: boolean;
  /** Whether the peak lies at no shift at all: a guided frame, or the fixed pattern. */
  readonly standing: boolean;
  /** Facts and doubts a reader should see. */
  readonly notes: readonly string[];
}

function checkOptions(used: Readonly<PhaseCorrelateOptions>): void {
  const { upsampling, smoothingPixels, maximumSide, falseAlarms } = used;
  if (!(Number.isInteger(upsampling) && upsampling >= 1)) {
    throw new RangeError(`phaseCorrelate: upsampling must be a whole number from 1, but got ${upsampling}`);
  }
  if (!(smoothingPixels >= 0)) {
    throw new RangeError(`phaseCorrelate: smoothingPixels must be ≥ 0, but got ${smoothingPixels}`);
  }
  if (!(maximumSide >= 16)) throw new RangeError(`phaseCorrelate: maximumSide must be ≥ 16, but got ${maximumSide}`);
  if (!(falseAlarms > 0 && falseAlarms < 1)) {
    throw new RangeError(`phaseCorrelate: falseAlarms must lie between 0 and 1, but got ${falseAlarms}`);
  }
}

/** The peak that is taken for the sky's. */
interface ChosenPeak {
  readonly peak: Peak;
  readonly correlation: Correlation;
  readonly flipped: boolean;
  readonly notes: readonly string[];
}

const heightOf = (each: Correlation | null) =>
  each === null ? -Infinity : Math.max(each.moved?.significance ?? -Infinity, each.still.significance);

/** Of two peaks that both are more than chance the one that moves; upside down no shift is special. */
function choosePeak(upright: Correlation, turned: Correlation | null): ChosenPeak {
  const flipped = turned !== null && heightOf(turned) > heightOf(upright);
  const correlation = flipped ? turned : upright;
  const { moved, still, needed } = correlation;
  // upright a second peak that chance does not explain is the sky
  const isSky = moved !== null &&
    (flipped ? moved.height > still.height : moved.significance > needed || moved.height > still.height);
  const notes = !flipped && isSky && still.significance > needed
    ? ["something stands still on the sensor while the sky moves: fixed pattern, left aside"]
    : [];
  return { peak: isSky ? moved : still, correlation, flipped, notes };
}

/**
 * Shift between two frames of the same size, from their pixels: correlation by Fourier transform, the peak refined by a
 * matrix transform of its neighbourhood (Guizar-Sicairos, Thurman & Fienup 2008, Opt. Lett. 33, 156).
 *
 * Banding and hot pixels stand still and would win: rows, columns and single pixels are levelled first, and of a peak
 * at no shift and another one that both are more than chance, the other is taken. Rotation and scale are not found.
 * NaN counts as background. Cost: 0.5 s for sides of 1024, memory of six planes of that size in double.
 *
 * @param source the frame to be moved
 * @param reference frame it is moved to, same size
 * @param options smoothing, pattern
 * @throws {RangeError} if sizes differ or an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { createImage } from "faintlight/extend";
 * import { phaseCorrelate } from "faintlight/geometry";
 *
 * const blob = (cx: number, cy: number) => createImage({
 *   width: 64, height: 64, unit: "adu",
 *   planes: [{ channel: "L", data: Float32Array.from({ length: 4096 }, (_, i) =>
 *     100 * Math.exp(-((i % 64 - cx) ** 2 + (Math.floor(i / 64) - cy) ** 2) / 8)) }],
 * });
 * const { shift } = phaseCorrelate(blob(30, 33), blob(34.5, 31));
 * assert.ok(Math.abs(shift.x - 4.5) < 0.2 && Math.abs(shift.y + 2) < 0.2);
 * ```
 */
export function phaseCorrelate(
  source: Image,
  reference: Image,
  options: Partial<PhaseCorrelateOptions> = {},
): PhaseCorrelation {
  return correlateFrames(source, reference, settle("phaseCorrelate", phaseCorrelateDefaults, options), skyRules);
}

/** What {@linkcode phaseCorrelate} does, for scenes that are no sky: periodic ones, without pattern. */
export function correlateFrames(
  source: Image,
  reference: Image,
  used: PhaseCorrelateOptions,
  { window, whiten, removePattern: levels }: CorrelationRules,
): PhaseCorrelation {
  const { upsampling, smoothingPixels, pattern, flip, maximumSide, falseAlarms } = used;
  requireSameSize("phaseCorrelate", source, reference, ...(pattern === null ? [] : [pattern]));
  checkOptions(used);
  const factor = Math.max(1, Math.ceil(Math.max(source.width, source.height) / maximumSide));
  const ready = (image: Image): ComplexPlane => {
    const grey = greyOf(image, pattern);
    return spectrumOf(binned(levels ? removePattern(grey) : grey, factor), window);
  };
  const here = ready(source);
  const there = ready(reference);
  const columns = Math.floor(source.width / factor);
  const rows = Math.floor(source.height / factor);
  const judge = (flipped: boolean) =>
    correlate(here, there, {
      whiten,
      smoothing: smoothingPixels / factor,
      falseAlarms,
      flipped,
      noise: [noiseAlong(window, columns, here.width, flipped), noiseAlong(window, rows, here.height, flipped)],
    });
  const { peak, correlation, flipped, notes } = choosePeak(judge(false), flip ? judge(true) : null);

  let { x, y } = refinePeak(correlation.spectrum, peak, upsampling);
  if (flipped) {
    // pixel i goes to place x − i, known up to whole turns of the transform: near the last pixel for equal pointings
    x += here.width * Math.round((columns - 1 - x) / here.width);
    y += here.height * Math.round((rows - 1 - y) / here.height);
  }
  // binning keeps the corner of the first pixel: half a binned pixel for each of the two frames, when turned
  x = x * factor + (flipped ? factor - 1 : 0);
  y = y * factor + (flipped ? factor - 1 : 0);
  const { significance } = peak;
  const { needed } = correlation;
  const trusted = significance > needed;
  const doubts = trusted
    ? []
    : [`the peak is ${significance.toFixed(1)} sigma high; chance alone reaches ${needed.toFixed(1)}`];
  return {
    transform: { kind: "similarity", matrix: flipped ? [-1, 0, x, 0, -1, y, 0, 0, 1] : [1, 0, x, 0, 1, y, 0, 0, 1] },
    shift: { x, y },
    significance,
    trusted,
    flipped,
    standing: !flipped && Math.hypot(x, y) < 1.5 * factor,
    notes: [...notes, ...doubts],
  };
}
