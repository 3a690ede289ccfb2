/** Level and noise of the darkest wide population of a picture: the sky between the objects. */
import type { Region } from "../core/geometry.ts";
import { type Image, requireImage } from "../core/image.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { medianInPlace, quantileOf } from "../stats/samples.ts";

/** Sky of one channel, in the unit of the image. */
export interface SkyLevel {
  /** Channel. */
  readonly channel: string;
  /** Most frequent level of the sky. */
  readonly level: number;
  /**
   * Standard deviation of the sky's samples about it, from those below it: everything from pixel noise to a residual
   * gradient.
   */
  readonly noise: number;
  /**
   * Share of the samples within two standard deviations of the level, over what a pure sky would have: near 1 for an
   * empty field.
   */
  readonly share: number;
}

/**
 * Where to look for the sky: a part of the field, the whole of it (null), or `darkest`: the part, an eighth of the
 * field along each side, where the channels together are lowest. In a field full of nebula the most frequent dark
 * level is nebula.
 */
export type SkyPart = Region | "darkest" | null;

/** Samples looked at: enough for a level to 1/400 of the noise, few enough to sort in a blink. */
const maximumSamples = 200_000;
/** Fewest samples that a density is made of. */
const minimumSamples = 16;
/** Share of the tallest peak that a darker peak must reach to count as the sky. */
const minimumPeakShare = 0.25;
/** The stretch that holds this share of the samples gives a first idea; about the mode of a normal distribution it… */
const shortestShare = 0.3;
/** … spans so many sigma. */
const shortestSigmas = 0.7706;
/** Bins of the density, and how many of them a standard deviation spans. */
const binCount = 2048;
const binsPerSigma = 16;
/** Bins of a running mean; three of them are nearly a Gaussian of 5.5 bins = 0.34 sigma. */
const runningMean = 11;
/** Times level and noise are measured in turn. */
const iterations = 3;
/** Fewest samples below the level that tell the noise. */
const minimumBelow = 8;
/** Share of a normal distribution within two sigma. */
const twoSigmaShare = 0.9545;

/** Level and noise of the sky while they are measured. */
interface LevelAndNoise {
  readonly level: number;
  readonly noise: number;
}

/** The finite samples, thinned and sorted. */
function sortedSamples(data: Float32Array): Float32Array {
  // An odd stride, so that no column pattern of usual widths is singled out.
  const stride = Math.max(1, Math.floor(data.length / maximumSamples) | 1);
  const kept = new Float32Array(Math.ceil(data.length / stride));
  let n = 0;
  for (let i = 0; i < data.length; i += stride) if (Number.isFinite(data[i])) kept[n++] = data[i];
  return kept.subarray(0, n).sort();
}

/**
 * First idea of the most frequent level and the spread: the shortest stretch that holds three tenths of the samples.
 */
function shortestStretch(sorted: Float32Array): LevelAndNoise {
  const n = sorted.length;
  const span = Math.max(2, Math.floor(shortestShare * n));
  let start = 0;
  let shortest = Infinity;
  for (let i = 0; i + span < n; i++) {
    const length = sorted[i + span] - sorted[i];
    if (length < shortest) {
      shortest = length;
      start = i;
    }
  }
  return { level: sorted[start + (span >> 1)], noise: shortest / shortestSigmas };
}

/** Density of samples on a grid of bins, smoothed by three running means. */
function smoothedDensity(sorted: Float32Array, low: number, step: number): Float64Array {
  let density = new Float64Array(binCount);
  for (let i = 0; i < sorted.length; i++) {
    const at = Math.floor((sorted[i] - low) / step);
    if (at >= 0 && at < binCount) density[at]++;
  }
  const half = runningMean >> 1;
  for (let pass = 0; pass < 3; pass++) {
    const next = new Float64Array(binCount);
    let sum = 0;
    for (let i = 0; i < binCount + half; i++) {
      if (i < binCount) sum += density[i];
      if (i >= runningMean) sum -= density[i - runningMean];
      if (i >= half) next[i - half] = sum;
    }
    density = next;
  }
  return density;
}

/** Place of the darkest peak of some height, in bins. */
function darkestPeak(density: Float64Array): number {
  let highest = 0;
  for (let i = 0; i < binCount; i++) highest = Math.max(highest, density[i]);
  const limit = minimumPeakShare * highest;
  let peak = 0;
  while (peak + 1 < binCount && !(density[peak] >= limit && density[peak] >= density[peak + 1])) peak++;
  // Climb on while the hill goes up within a sigma, so that a shoulder is not taken for a peak.
  for (let i = peak; i < Math.min(binCount, peak + binsPerSigma); i++) if (density[i] > density[peak]) peak = i;
  const a = density[peak - 1] ?? 0;
  const c = density[peak + 1] ?? 0;
  const bend = a - 2 * density[peak] + c;
  return peak + 0.5 + (bend < 0 ? 0.5 * (a - c) / bend : 0);
}

/** Level from the smoothed density about a first idea of it, and noise from the samples below; null noise: too few. */
function refine(sorted: Float32Array, { level, noise }: LevelAndNoise): { level: number; noise: number | null } {
  const step = noise / binsPerSigma;
  const low = Math.max(sorted[0], level - 60 * noise);
  const better = low + step * darkestPeak(smoothedDensity(sorted, low, step));
  let below = 0;
  while (below < sorted.length && sorted[below] < better) below++;
  if (below < minimumBelow) return { level: better, noise: null };
  const spread = madSigmaFactor * (better - sorted[below >> 1]);
  return { level: better, noise: spread > 0 ? spread : null };
}

function skyOf(data: Float32Array): Omit<SkyLevel, "channel"> {
  const sorted = sortedSamples(data);
  const n = sorted.length;
  if (n === 0) return { level: NaN, noise: NaN, share: 0 };
  if (n < minimumSamples || sorted[0] === sorted[n - 1]) return { level: sorted[n >> 1], noise: 0, share: 1 };
  let { level, noise } = shortestStretch(sorted);
  if (!(noise > 0)) return { level, noise: 0, share: 1 };
  for (let iteration = 0; iteration < iterations; iteration++) {
    const refined = refine(sorted, { level, noise });
    level = refined.level;
    if (refined.noise === null) break;
    noise = refined.noise;
  }
  let inside = 0;
  for (let i = 0; i < n; i++) if (Math.abs(sorted[i] - level) <= 2 * noise) inside++;
  return { level, noise, share: Math.min(1, inside / n / twoSigmaShare) };
}

/**
 * Measure the sky of each channel: the darkest population that is at least a quarter as frequent as the most frequent
 * one, its level (peak of the smoothed density) and its spread (from the samples below the level, so that stars and
 * nebula above it do not count).
 *
 * In:  any image. NaN is left out. Cost: a pass over a thinned copy of at most 200 000 samples a channel.
 * Method: mode by kernel density (Parzen 1962), started at the shortest interval; scale by the lower half of the MAD.
 *
 * @param image the image
 * @param part where to look; null for the whole field
 * @returns one entry a channel, level and noise in the unit of the image; NaN for a channel without data
 * @throws {RangeError} if the part leaves the image
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { measureSky } from "faintlight";
 * import { createImage } from "faintlight/extend";
 * import { randomStream } from "faintlight/stats";
 *
 * const random = randomStream(3);
 * const data = Float32Array.from({ length: 40000 }, (_, i) => 100 + 5 * random.gaussian() + (i % 3 === 0 ? 80 : 0));
 * const [sky] = measureSky(createImage({ width: 200, height: 200, unit: "adu", planes: [{ channel: "L", data }] }));
 * assert.ok(Math.abs(sky.level - 100) < 0.5 && Math.abs(sky.noise - 5) < 0.3);
 * ```
 */
export function measureSky(image: Image, part: SkyPart = null): SkyLevel[] {
  requireImage("measureSky", image);
  if (part !== null && typeof part === "string" && part !== "darkest") {
    throw new RangeError(`measureSky: part must be a region, "darkest" or null, but got ${JSON.stringify(part)}`);
  }
  const region = part === "darkest" ? darkestPart(image) : part;
  return image.planes.map(({ channel, data }) => ({
    channel,
    ...skyOf(region === null ? data : partOf(data, image.width, image.height, region)),
  }));
}

/** Parts along each side of the field; they overlap by half. */
const tilesAlong = 8;

/**
 * The part of the field, an eighth along each side, that is darkest: where the median of each channel above the lowest
 * median of that channel, in units of the channel's spread over all parts, has the smallest sum. Null for a field of
 * less than 64 pixels a side.
 */
function darkestPart({ width, height, planes }: Image): Region | null {
  const w = Math.floor(width / tilesAlong);
  const h = Math.floor(height / tilesAlong);
  if (w < 8 || h < 8) return null;
  const parts: Region[] = [];
  for (let r = 0; r <= 2 * (tilesAlong - 1); r++) {
    for (let c = 0; c <= 2 * (tilesAlong - 1); c++) {
      parts.push({ x: Math.floor(c * w / 2), y: Math.floor(r * h / 2), width: w, height: h });
    }
  }
  const total = new Float64Array(parts.length);
  for (const { data } of planes) {
    const medians = parts.map((part) => partMedian(data, width, part));
    const known = medians.filter((v) => v === v);
    if (known.length === 0) return null;
    const lowest = Math.min(...known);
    const spread = quantileOf(Float64Array.from(known), 0.5) - lowest;
    medians.forEach((v, at) => total[at] += v === v ? (v - lowest) / (spread > 0 ? spread : 1) : Infinity);
  }
  let best = 0;
  for (let at = 1; at < total.length; at++) if (total[at] < total[best]) best = at;
  return parts[best];
}

/** Median of every third sample each way of a part; NaN when more than half of them have no data. */
function partMedian(data: Float32Array, width: number, part: Region): number {
  const kept = new Float64Array(Math.ceil(part.width / 3) * Math.ceil(part.height / 3));
  let n = 0;
  for (let y = part.y; y < part.y + part.height; y += 3) {
    for (let x = part.x; x < part.x + part.width; x += 3) {
      const v = data[y * width + x];
      if (v === v) kept[n++] = v;
    }
  }
  return n > kept.length / 2 ? medianInPlace(kept, n) : NaN;
}

/** Samples of a part of a plane. */
function partOf(data: Float32Array, width: number, height: number, { x, y, ...size }: Region): Float32Array {
  const inside = [x, y, size.width, size.height].every(Number.isInteger) && x >= 0 && y >= 0 && size.width > 0 &&
    size.height > 0 && x + size.width <= width && y + size.height <= height;
  if (!inside) {
    throw new RangeError(
      `measureSky: part must lie within ${width} × ${height} pixels, but got x ${x}, y ${y}, ${size.width} × ` +
        `${size.height}`,
    );
  }
  const out = new Float32Array(size.width * size.height);
  for (let row = 0; row < size.height; row++) {
    const from = (y + row) * width + x;
    out.set(data.subarray(from, from + size.width), row * size.width);
  }
  return out;
}
