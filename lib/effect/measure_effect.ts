/** What a step did to an image, in numbers and in plain words: the effect ledger. */
import { type Image, isLinear, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { detectStars } from "../measure/detect_stars.ts";
import { measureSky } from "../measure/sky_level.ts";
import { quantile } from "../stats/median.ts";
import { type ClippedShare, clippedShares } from "../tone/clipped_shares.ts";

/** Options of {@linkcode measureEffect}: from which change on a reader should doubt. */
export interface MeasureEffectOptions {
  /** Share of the samples newly at an end of the range. */
  readonly clippedShare: number;
  /** Relative change of the stars' width. */
  readonly starWidth: number;
  /** Relative change of the light between sky and stars, on linear data. */
  readonly light: number;
  /** Relative rise of the sky's noise, on linear data. */
  readonly noise: number;
}

/**
 * What {@linkcode measureEffect} uses for an option left out. One sample in 500 clipped is seen as dead black or white; the
 * other limits are three times what the measurement itself scatters on our simulated stacks.
 */
export const measureEffectDefaults: MeasureEffectOptions = Object.freeze({
  clippedShare: 0.002,
  starWidth: 0.06,
  light: 0.03,
  noise: 0.1,
});

/** What was measured of one image. */
export interface EffectSide {
  /** Level of the sky, one a plane. */
  readonly sky: readonly number[];
  /** Noise of the sky, one a plane. */
  readonly noise: readonly number[];
  /** Range of the sky over a 4 × 4 grid of the field (third lowest to third highest cell), first plane. */
  readonly unevenness: number;
  /** Light above the sky between the 50th and the 97th percentile, mean over the samples, first plane. */
  readonly light: number;
  /** Stars found. */
  readonly stars: number;
  /** Their FWHM, pixels; NaN without stars. */
  readonly fwhmPixels: number;
  /** Shares at the ends of the range; only of a finished picture. */
  readonly clipped: readonly ClippedShare[];
}

/** Result of {@linkcode measureEffect}. */
export interface Effect {
  /** Before the step. */
  readonly before: EffectSide;
  /** After it. */
  readonly after: EffectSide;
  /** What a reader should doubt, in sentences; empty when nothing stands out. */
  readonly doubts: readonly string[];
}

/** Sky level of each cell of a grid: the most frequent level, robust against nebula in part of a cell. */
function unevennessOf(image: Image): number {
  const cells = 4, { width, height, planes: [{ data }] } = image;
  const levels: number[] = [];
  for (let v = 0; v < cells; v++) {
    for (let u = 0; u < cells; u++) {
      const x0 = Math.floor(u * width / cells), x1 = Math.floor((u + 1) * width / cells);
      const y0 = Math.floor(v * height / cells), y1 = Math.floor((v + 1) * height / cells);
      const step = Math.max(1, Math.floor(Math.sqrt((x1 - x0) * (y1 - y0) / 4000)));
      const samples: number[] = [];
      for (let y = y0; y < y1; y += step) {
        for (let x = x0; x < x1; x += step) {
          const value = data[y * width + x];
          if (value === value) samples.push(value);
        }
      }
      if (samples.length >= 16) levels.push(quantile(samples, 0.2));
    }
  }
  levels.sort((a, b) => a - b);
  return levels.length < 7 ? NaN : levels[levels.length - 3] - levels[2];
}

/** Mean light above the sky of the samples between two ranks: nebula rather than noise or stars. */
function lightOf(image: Image, sky: number): number {
  const { data } = image.planes[0], step = Math.max(1, Math.floor(data.length / 100_000)), samples: number[] = [];
  for (let i = 0; i < data.length; i += step) if (data[i] === data[i]) samples.push(data[i]);
  samples.sort((a, b) => a - b);
  const part = samples.slice(Math.floor(samples.length * 0.5), Math.floor(samples.length * 0.97));
  return part.length === 0 ? NaN : part.reduce((sum, value) => sum + value - sky, 0) / part.length;
}

function sideOf(image: Image): EffectSide {
  const sky = measureSky(image), linear = isLinear(image);
  const found = linear ? detectStars(image, { channel: image.planes[0].channel }) : null;
  return {
    sky: sky.map((each) => each.level),
    noise: sky.map((each) => each.noise),
    unevenness: unevennessOf(image),
    light: lightOf(image, sky[0].level),
    stars: found === null ? NaN : found.stars.length,
    fwhmPixels: found === null ? NaN : found.fwhmPixels,
    clipped: linear ? [] : clippedShares(image),
  };
}

const percent = (share: number): string => `${(100 * share).toFixed(Math.abs(share) < 0.1 ? 1 : 0)} %`;

/**
 * Measure what a step did: sky and noise, evenness, light between sky and stars, stars and their width, clipped shares; and
 * name what a reader should doubt.
 *
 * In: two images of one size and as many planes. Stars are measured on linear data only. NaN samples are left out.
 * Cost: two star detections and some thinned sorts.
 *
 * @throws {RangeError} if sizes differ or a limit is not above 0
 *
 * @example A step that clips the sky is doubted
 * ```ts
 * import assert from "node:assert/strict";
 * import { createImage, measureEffect } from "faintlight";
 *
 * const picture = (black: number) =>
 *   createImage({
 *     width: 100,
 *     height: 100,
 *     unit: "display",
 *     planes: [{ channel: "L", data: Float32Array.from({ length: 10000 }, (_, i) => Math.max(0, (i * 37 % 100) / 100 - black)) }],
 *   });
 * const effect = measureEffect(picture(-0.01), picture(0.2));
 * assert.match(effect.doubts[0], /clipped to black/);
 * assert.deepEqual(measureEffect(picture(-0.01), picture(-0.01)).doubts, []);
 * ```
 */
export function measureEffect(before: Image, after: Image, options: Partial<MeasureEffectOptions> = {}): Effect {
  const used = settle("measureEffect", measureEffectDefaults, options);
  for (const [name, value] of Object.entries(used)) {
    if (!(value > 0)) throw new RangeError(`measureEffect: ${name} must be > 0, but got ${value}`);
  }
  requireSameSize("measureEffect", before, after);
  const a = sideOf(before), b = sideOf(after), doubts: string[] = [];
  for (const share of b.clipped) {
    const known = a.clipped.find((each) => each.channel === share.channel);
    const black = share.atBlack - (known?.atBlack ?? 0), white = share.atWhite - (known?.atWhite ?? 0);
    if (black > used.clippedShare) doubts.push(`${percent(black)} of ${share.channel} were clipped to black`);
    if (white > used.clippedShare) doubts.push(`${percent(white)} of ${share.channel} were clipped to white`);
  }
  if (before.unit === after.unit && isLinear(before)) {
    const width = b.fwhmPixels / a.fwhmPixels - 1, noise = b.noise[0] / a.noise[0] - 1;
    if (Math.abs(width) > used.starWidth) {
      doubts.push(`stars became ${percent(Math.abs(width))} ${width > 0 ? "wider" : "narrower"}`);
    }
    if (noise > used.noise) doubts.push(`the noise of the sky rose by ${percent(noise)}`);
  }
  return { before: a, after: b, doubts };
}
