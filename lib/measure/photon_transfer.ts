/** Gain and read noise of a sensor from pairs of flats and bias frames. */
import type { Image } from "../core/image.ts";
import { requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { median } from "../stats/median.ts";
import { sigmaClip } from "../stats/sigma_clip.ts";

/** Options of {@linkcode photonTransfer}. */
export interface PhotonTransferOptions {
  /** Part of the frame's width and height that is used, about the middle: vignetting and glow live at the edges. */
  readonly middleShare: number;
  /** Samples beyond this many standard deviations of the difference are left out. */
  readonly reject: number;
}

/**
 * What {@linkcode photonTransfer} uses for an option left out: the middle half, and 5 sigma, which costs normal data
 * nothing.
 */
export const photonTransferDefaults: PhotonTransferOptions = Object.freeze({ middleShare: 0.5, reject: 5 });

/** Result of {@linkcode photonTransfer}. */
export interface PhotonTransfer {
  /** Electrons per ADU. */
  readonly electronsPerAdu: number;
  /** Read noise, electrons, with what quantisation adds (gain² / 12) taken off. */
  readonly readNoiseElectrons: number;
  /** Level of the flats above bias, ADU. */
  readonly flatLevel: number;
  /** Level of the bias, ADU. */
  readonly biasLevel: number;
  /** Gain of each colour phase of a mosaic, in stored order; one value for mono. */
  readonly phases: readonly number[];
  /**
   * Variance of 2 × 2 sums of the flat difference over four times that of a pixel: 1 for independent pixels; above it
   * the camera smooths, and gain and noise are wrong.
   */
  readonly correlation: number;
  /** Relative standard error of the gain, √(2 / pixels). */
  readonly relativeError: number;
  /** Options used. */
  readonly options: PhotonTransferOptions;
}

/** Samples of one colour phase in a part of a frame: every `step`-th column and row. */
interface Window {
  readonly x0: number;
  readonly y0: number;
  readonly x1: number;
  readonly y1: number;
  readonly step: number;
}

/** Planes of two flats and two bias frames. */
interface Planes {
  readonly flats: readonly [Float32Array, Float32Array];
  readonly biases: readonly [Float32Array, Float32Array];
  readonly width: number;
}

/** What one colour phase tells. */
interface PhaseTransfer {
  readonly gain: number;
  readonly readNoise: number;
  readonly flatLevel: number;
  readonly biasLevel: number;
  readonly correlation: number;
  readonly pixels: number;
}

/** Mean and standard deviation of samples, outliers left out. */
type Clip = (values: Float64Array) => { readonly mean: number; readonly sd: number };

/** A number from each pair of samples of two planes in a window. */
function gather(
  a: Float32Array,
  b: Float32Array,
  width: number,
  window: Window,
  of: (a: number, b: number) => number,
): Float64Array {
  const { x0, y0, x1, y1, step } = window;
  const out = new Float64Array(Math.ceil((x1 - x0) / step) * Math.ceil((y1 - y0) / step));
  let n = 0;
  for (let y = y0; y < y1; y += step) {
    for (let x = x0; x < x1; x += step) out[n++] = of(a[y * width + x], b[y * width + x]);
  }
  return out.subarray(0, n);
}

/** Sums of 2 × 2 values of a window. */
function blockSums(values: Float64Array, { x0, x1, step }: Window): Float64Array {
  const across = Math.ceil((x1 - x0) / step);
  const down = Math.floor(values.length / across);
  const sums = new Float64Array((across >> 1) * (down >> 1));
  for (let y = 0, n = 0; y + 1 < down; y += 2) {
    for (let x = 0; x + 1 < across; x += 2, n++) {
      const i = y * across + x;
      sums[n] = values[i] + values[i + 1] + values[i + across] + values[i + across + 1];
    }
  }
  return sums;
}

/** Gain and read noise of one colour phase. */
function transferOf({ flats, biases, width }: Planes, window: Window, clip: Clip): PhaseTransfer {
  const mean = (plane: Float32Array) => clip(gather(plane, plane, width, window, (v) => v)).mean;
  const biasLevel = (mean(biases[0]) + mean(biases[1])) / 2;
  const first = mean(flats[0]) - biasLevel;
  const second = mean(flats[1]) - biasLevel;
  const scale = first / second;
  const difference = gather(flats[0], flats[1], width, window, (a, b) => a - biasLevel - scale * (b - biasLevel));
  const flatVariance = clip(difference).sd ** 2;
  const biasVariance = clip(gather(biases[0], biases[1], width, window, (a, b) => a - b)).sd ** 2;
  // Scaling the second flat scales its noise: shot noise of level S adds S + scale² · S/scale = S (1 + scale).
  const shot = flatVariance - biasVariance * (1 + scale * scale) / 2;
  if (!(shot > 0)) {
    throw new RangeError(
      `photonTransfer: flats must be noisier than bias, but got variances ${flatVariance} and ${biasVariance}; ` +
        "give flats first, bias second",
    );
  }
  const gain = first * (1 + scale) / shot;
  return {
    gain,
    // Quantisation adds 1/12 ADU² to each frame.
    readNoise: gain * Math.sqrt(Math.max(0, biasVariance / 2 - 1 / 12)),
    flatLevel: (first + second) / 2,
    biasLevel,
    correlation: clip(blockSums(difference, window)).sd ** 2 / (4 * flatVariance),
    pixels: difference.length,
  };
}

/**
 * Gain and read noise by the pair method (Janesick 2001, Scientific Charge-Coupled Devices, chapter 5; Howell 2006,
 * section 4.3):
 *
 *     K = ((F₁ + F₂) − (B₁ + B₂)) / (var(F₁ − F₂) − var(B₁ − B₂)),   read noise = K sd(B₁ − B₂) / √2
 *
 * Differences cancel vignetting, dust and fixed pattern; the second flat is scaled to the first one's level. Each
 * colour phase of a mosaic is done by itself and the median taken. Images in ADU, uncalibrated. NaN is left out.
 *
 * @param flats two flats of one exposure, below the non-linear range
 * @param biases two bias frames
 * @throws {RangeError} if sizes differ, an option is out of range, or the flats are no noisier than the bias
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { photonTransfer } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(2), K = 0.8;
 * const frame = (electrons: number) =>
 *   createImage({
 *     width: 200,
 *     height: 200,
 *     unit: "adu",
 *     planes: [{
 *       channel: "L",
 *       data: Float32Array.from({ length: 40000 }, () =>
 *         500 + (random.poisson(electrons) + 3.5 * random.gaussian()) / K),
 *     }],
 *   });
 * const result = photonTransfer([frame(20000), frame(20000)], [frame(0), frame(0)]);
 * assert.ok(Math.abs(result.electronsPerAdu / K - 1) < 0.06);
 * ```
 */
export function photonTransfer(
  flats: readonly [Image, Image],
  biases: readonly [Image, Image],
  options: Partial<PhotonTransferOptions> = {},
): PhotonTransfer {
  const used = settle("photonTransfer", photonTransferDefaults, options);
  const { middleShare, reject } = used;
  if (!(middleShare > 0 && middleShare <= 1)) {
    throw new RangeError(`photonTransfer: middleShare must lie above 0 and up to 1, but got ${middleShare}`);
  }
  if (!(reject > 0)) throw new RangeError(`photonTransfer: reject must be > 0, but got ${reject}`);
  requireSameSize("photonTransfer", ...flats, ...biases);
  const { width, height } = flats[0];
  const mosaic = flats[0].geometry.bayer !== null;
  const step = mosaic ? 2 : 1;
  const margin = (size: number) => Math.floor(size * (1 - middleShare) / 4) * 2;
  const planes: Planes = {
    flats: [flats[0].planes[0].data, flats[1].planes[0].data],
    biases: [biases[0].planes[0].data, biases[1].planes[0].data],
    width,
  };
  const transfers = Array.from({ length: mosaic ? 4 : 1 }, (_, phase) =>
    transferOf(
      planes,
      {
        x0: margin(width) + (phase & 1),
        y0: margin(height) + (phase >> 1),
        x1: width - margin(width),
        y1: height - margin(height),
        step,
      },
      (values) => sigmaClip(values, { rejectBelow: reject, rejectAbove: reject }),
    ));
  const medianOf = (of: (transfer: PhaseTransfer) => number) => median(transfers.map(of));
  return {
    electronsPerAdu: medianOf((each) => each.gain),
    readNoiseElectrons: medianOf((each) => each.readNoise),
    flatLevel: medianOf((each) => each.flatLevel),
    biasLevel: medianOf((each) => each.biasLevel),
    phases: transfers.map((each) => each.gain),
    correlation: medianOf((each) => each.correlation),
    relativeError: Math.sqrt(2 / transfers.reduce((sum, each) => sum + each.pixels, 0)),
    options: used,
  };
}
