/**
 * Details of a plane by scale (starlet transform; Starck & Murtagh 2002), those that do not stand out of their noise
 * taken down.
 */
import { borrowPlane, returnPlane } from "../core/memory.ts";
import type { Raster } from "../core/raster.ts";
import { quietScale, starletReach, withoutGaps } from "../filters/starlet.ts";
import { starletScale } from "../kernels/starlet.ts";
import { thresholdDetail } from "../kernels/threshold_detail.ts";
import { type DetailNoise, type KnownNoise, measureNoiseMap, noiseWeights } from "./detail_noise.ts";

/** Which details are kept. */
export interface SignificanceSettings {
  /** Scales looked at: details of 1, 2, 4 … pixels. */
  readonly scales: number;
  /** Standard deviations below which a detail is noise. */
  readonly threshold: number;
  /** Share of noise that stays, 0 … 1. */
  readonly grain: number;
}

/** The details of a plane and their noise, to tell what is kept of another plane's. */
export interface JudgingDetails {
  /** Standard deviation of the noise in each scale where it is least, from the finest. */
  readonly sigmas: readonly number[];
  /** Variance of the noise there over that about each pixel; a borrowed plane. */
  readonly weights: Float32Array;
  /** The details, from the finest; borrowed planes. */
  readonly scales: readonly Float32Array[];
}

/** A plane in two borrowed parts whose sum it is. */
export interface PartedPlane {
  /** What is kept of the details. */
  readonly details: Float32Array;
  /** What is smoother than all of them. */
  readonly rest: Float32Array;
}

/** Distance in pixels from which samples have a part in what is kept of a number of scales. */
export const significanceReach = (scales: number): number => starletReach(scales) + 2 ** scales;

/** The noise of one scale, and with the finest its map, measured unless it is known. */
function noiseOfScale(detail: Raster, finer: readonly number[], known: KnownNoise | null): number {
  if (known !== null) return known.noise.sigmas[finer.length];
  return quietScale(detail.data, detail.width, detail.height, finer);
}

/** The weights of a plane's pixels by the noise about them, from its finest details unless the noise is known. */
function weightsOf(finest: Raster, sigma: number, known: KnownNoise | null): Float32Array {
  if (known !== null) return noiseWeights(known.noise.map, finest, known.offset);
  return noiseWeights(measureNoiseMap(finest, sigma), finest, { x: 0, y: 0 });
}

/** The noise of a plane's details in a number of scales. */
export function measureDetailNoise({ data, width, height }: Raster, count: number): DetailNoise {
  const size = width * height;
  const smooth = [borrowPlane(size), borrowPlane(size)];
  const detail = { data: borrowPlane(size), width, height };
  const sigmas: number[] = [];
  let source = withoutGaps(data);
  let map: DetailNoise["map"] | null = null;
  for (let j = 0; j < count; j++) {
    starletScale(source, width, height, 2 ** j, smooth[j % 2], detail.data);
    sigmas.push(noiseOfScale(detail, sigmas, null));
    map ??= measureNoiseMap(detail, sigmas[0]);
    source = smooth[j % 2];
  }
  for (const plane of [...smooth, detail.data]) returnPlane(plane);
  return { sigmas, map: map as DetailNoise["map"] };
}

/** The details of a plane whose noise is known, to tell what is kept of another plane's. */
export function judgingDetails({ data, width, height }: Raster, count: number, known: KnownNoise): JudgingDetails {
  const size = width * height;
  const smooth = [borrowPlane(size), borrowPlane(size)];
  const scales: Float32Array[] = [];
  let source = withoutGaps(data);
  for (let j = 0; j < count; j++) {
    const { detail } = starletScale(source, width, height, 2 ** j, smooth[j % 2], borrowPlane(size));
    scales.push(detail);
    source = smooth[j % 2];
  }
  smooth.forEach(returnPlane);
  const weights = noiseWeights(known.noise.map, { width, height }, known.offset);
  return { sigmas: known.noise.sigmas, weights, scales };
}

/** What the kept share of a scale's details depends on. */
function keptOf({ threshold, grain }: SignificanceSettings, step: number, sigma: number) {
  // A neighbourhood's mean square of noise is 1; a threshold of 3 stands for one of 3 over its few samples.
  const low = 1 + 0.25 * threshold;
  const high = 1 + 1.25 * threshold;
  // A single sample, however far out, is no detail: light spreads over several.
  const limits = { step, most: 2 * high, low, high };
  return sigma > 0 ? { ...limits, norm: 1 / (sigma * sigma), grain } : { ...limits, norm: 0, grain: 1 };
}

/**
 * Takes insignificant details of a plane down, scale by scale from the finest. Significance is that of the
 * neighbourhood, so that single specks count little.
 *
 * @param noise noise of the whole that the plane is a patch of, or the details of another plane to tell what is kept;
 * if null the noise is measured on the plane itself
 */
export function significantDetails(
  { data, width, height }: Raster,
  settings: SignificanceSettings,
  noise: KnownNoise | JudgingDetails | null = null,
): PartedPlane {
  const judges = noise !== null && "scales" in noise ? noise : null;
  const known = noise !== null && !("scales" in noise) ? noise : null;
  const size = width * height;
  const details = borrowPlane(size);
  const detail = { data: borrowPlane(size), width, height };
  const smooth = [borrowPlane(size), borrowPlane(size)];
  const sigmas: number[] = [];
  let source = withoutGaps(data);
  let weights: Float32Array | null = null;
  for (let j = 0; j < settings.scales; j++) {
    const step = 2 ** j;
    starletScale(source, width, height, step, smooth[j % 2], detail.data);
    sigmas.push(judges?.sigmas[j] ?? noiseOfScale(detail, sigmas, known));
    weights ??= judges?.weights ?? weightsOf(detail, sigmas[0], known);
    const kept = keptOf(settings, step, sigmas[j]);
    thresholdDetail(detail.data, weights, width, height, kept, details, j === 0, judges?.scales[j] ?? detail.data);
    source = smooth[j % 2];
  }
  if (judges === null) returnPlane(weights as Float32Array);
  returnPlane(detail.data);
  returnPlane(smooth[settings.scales % 2]);
  return { details, rest: source };
}
