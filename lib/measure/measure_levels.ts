/** Levels of one channel: lowest, typical, highest, and how they spread. */
import type { Region } from "../core/geometry.ts";
import { type Image, type Plane, planeOf, requireImage } from "../core/image.ts";
import { settle } from "../core/options.ts";
import { quantile } from "../stats/median.ts";

/** Options of {@linkcode measureLevels}. */
export interface MeasureLevelsOptions {
  /** The channel; "automatic" for the first. */
  readonly channel: string;
  /** Part of the field; null for all of it. */
  readonly region: Region | null;
}

/** What {@linkcode measureLevels} uses for an option left out. */
export const measureLevelsDefaults: MeasureLevelsOptions = Object.freeze({ channel: "automatic", region: null });

/** Levels of the samples that have data, in the unit of the image; null where none has. */
export interface Levels {
  /** Samples with data. */
  readonly samples: number;
  /** Lowest. */
  readonly minimum: number | null;
  /** Middle one by rank. */
  readonly median: number | null;
  /** Mean. */
  readonly mean: number | null;
  /** Highest. */
  readonly maximum: number | null;
  /** Highest less lowest. */
  readonly range: number | null;
  /** Standard deviation about the mean, over n − 1; null for fewer than two samples. */
  readonly standardDeviation: number | null;
  /** The level below which a share of the samples lies, share 0 … 1; null without samples. */
  readonly quantile: (share: number) => number | null;
}

/** Samples of the region that have data. */
function samplesOf(image: Image, { data }: Plane, region: Region): Float32Array {
  const kept = new Float32Array(region.width * region.height);
  let count = 0;
  for (let y = region.y; y < region.y + region.height; y++) {
    const row = y * image.width;
    for (let p = row + region.x; p < row + region.x + region.width; p++) {
      if (data[p] === data[p]) kept[count++] = data[p];
    }
  }
  return kept.subarray(0, count);
}

/**
 * Measure the levels of one channel; samples without data are left out. For the sky behind stars and nebula see
 * `measureSky`.
 *
 * Cost: one pass, and one selection for the median and each quantile.
 *
 * @throws {TypeError} if the image has no such channel
 * @throws {RangeError} if the region does not lie within the image
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { imageFromRows, measureLevels } from "faintlight";
 *
 * const levels = measureLevels(imageFromRows([[1, 2, 3, 4, 10]]));
 * assert.deepEqual([levels.median, levels.mean, levels.range, levels.quantile(1)], [3, 4, 9, 10]);
 * ```
 */
export function measureLevels(image: Image, options: Partial<MeasureLevelsOptions> = {}): Levels {
  requireImage("measureLevels", image);
  const used = settle("measureLevels", measureLevelsDefaults, options);
  const { width, height } = image;
  const plane = used.channel === "automatic" ? image.planes[0] : planeOf(image, used.channel);
  const region = used.region ?? { x: 0, y: 0, width, height };
  const { x, y } = region;
  const whole = [x, y, region.width, region.height].every(Number.isInteger);
  if (
    !whole || x < 0 || y < 0 || region.width < 1 || region.height < 1 || x + region.width > width ||
    y + region.height > height
  ) {
    throw new RangeError(
      `measureLevels: region must lie within ${width} × ${height} pixels, but got ${region.width} × ` +
        `${region.height} at (${x}, ${y})`,
    );
  }
  return levelsOf(samplesOf(image, plane, region));
}

function levelsOf(samples: Float32Array): Levels {
  const count = samples.length;
  let minimum = Infinity;
  let maximum = -Infinity;
  let sum = 0;
  for (let i = 0; i < count; i++) {
    minimum = Math.min(minimum, samples[i]);
    maximum = Math.max(maximum, samples[i]);
    sum += samples[i];
  }
  const mean = sum / count;
  let squares = 0;
  for (let i = 0; i < count; i++) squares += (samples[i] - mean) ** 2;
  const known = (value: number) => count === 0 ? null : value;
  const at = (share: number) => count === 0 ? null : quantile(samples, share);
  return Object.freeze({
    samples: count,
    minimum: known(minimum),
    median: at(0.5),
    mean: known(mean),
    maximum: known(maximum),
    range: known(maximum - minimum),
    standardDeviation: count < 2 ? null : Math.sqrt(squares / (count - 1)),
    quantile: (share: number) => {
      if (!(share >= 0 && share <= 1)) throw new RangeError(`quantile: share must be 0 … 1, but got ${share}`);
      return at(share);
    },
  });
}
