/** The starlet transform: a plane as a sum of details, each twice as wide as the one before, and a smooth rest. */
import { clippedMad, tileMads } from "../kernels/tile_mad.ts";
import { starletScale } from "../kernels/starlet.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { quantileOf } from "../stats/samples.ts";

/**
 * One smoothing of the transform: the B3 spline [1 4 6 4 1] / 16 along rows and columns with holes of `step` − 1
 * pixels, mirrored at the borders (Starck & Murtagh 2002). Samples without data make their neighbourhood NaN; fill
 * them first.
 */
export const starletSmooth = (data: Float32Array, width: number, height: number, step: number): Float32Array =>
  starletScale(data, width, height, step).smooth;

/** Distance in pixels from which samples have a part in the details of the first `count` scales: 2 (1 + 2 + 4 + …). */
export const starletReach = (count: number): number => 2 * (2 ** count - 1);

/** A plane in parts: their sum, with `rest`, is the plane. */
export interface Starlet {
  /** Details of the scales 1, 2, 4 … pixels. */
  readonly scales: readonly Float32Array[];
  /** What is wider than all of them. */
  readonly rest: Float32Array;
}

/**
 * Replace samples without data by the last one with data along the row, so that the transform has something to smooth.
 */
export function withoutGaps(data: Float32Array): Float32Array {
  let gap = 0;
  while (gap < data.length && data[gap] === data[gap]) gap++;
  if (gap === data.length) return data;
  let first = NaN;
  for (let i = 0; i < data.length && first !== first; i++) first = data[i];
  const out = Float32Array.from(data);
  let last = first === first ? first : 0;
  for (let i = 0; i < out.length; i++) {
    if (out[i] === out[i]) last = out[i];
    else out[i] = last;
  }
  return out;
}

/** The transform; gaps are bridged first. */
export function starlet(data: Float32Array, width: number, height: number, count: number): Starlet {
  let smooth = withoutGaps(data);
  const scales: Float32Array[] = [];
  for (let j = 0; j < count; j++) {
    const next = starletScale(smooth, width, height, 2 ** j);
    scales.push(next.detail);
    smooth = next.smooth;
  }
  return { scales, rest: smooth };
}

/** Standard deviation of white noise of 1 in each scale of the transform in two dimensions (norms of its kernels). */
export const starletGains: readonly number[] = [
  0.8907963,
  0.2006639,
  0.0855075,
  0.0412174,
  0.0204249,
  0.0101898,
  0.005092,
  0.0025457,
];

/** What the median of a normal distribution's sizes becomes when it is cut at three standard deviations. */
const afterClip = 0.9966;

/**
 * Standard deviation of the noise in one scale: 1.4826 × the median size, objects clipped iteratively at three times
 * that.
 */
export const scaleNoise = (detail: Float32Array): number =>
  clippedMad(detail, Math.max(1, Math.floor(detail.length / 150_000) | 1), 3, afterClip);

/** Side of a tile of {@linkcode quietNoise} in steps of its scale: 256 samples that hardly depend on one another. */
const quietTile = 16;
/** Share of the tiles taken for quiet. */
const quietShare = 0.1;
/**
 * What the 10 % quantile of the tiles' deviations is of that of pure noise; measured on white noise, the same for all
 * scales.
 */
const quietTileBias = 0.907;
/** Tiles that a plane must have for a quantile of them. */
const minimumTiles = 8;
/** Last scale that interpolation correlates: details of four pixels. */
const lastCorrelated = 2;

/** The tenth of the tiles of one scale with least in them; NaN where there are too few tiles to tell. */
function quietTiles(detail: Float32Array, width: number, height: number, step: number): number {
  const side = quietTile * step;
  const columns = Math.floor(width / side);
  const rows = Math.floor(height / side);
  if (columns * rows < minimumTiles) return NaN;
  const edges = (count: number) => Int32Array.from({ length: count + 1 }, (_, k) => k * side);
  const { medians, counts } = tileMads(detail, width, edges(columns), edges(rows), step);
  const found: number[] = [];
  medians.forEach((tileMad, k) => {
    // a tile that is mostly gap or bridged gap shows no noise
    if (counts[k] > quietTile * quietTile / 2 && tileMad > 0) found.push(madSigmaFactor * tileMad);
  });
  return found.length < minimumTiles ? NaN : quantileOf(Float64Array.from(found), quietShare) / quietTileBias;
}

/**
 * Standard deviation of the noise in each scale where the plane is quietest: that of the tenth of its tiles with least
 * in them. A nebula that fills most of the field raises {@linkcode scaleNoise}, as it is detail everywhere; some sky
 * is left in nearly every field, and this finds it. Beyond four pixels noise is white (interpolation reaches no
 * further), so a coarser scale, of which a field holds few independent samples, has no more noise than the finer one
 * predicts.
 *
 * @param scales details of a starlet transform, from the finest
 */
export function quietNoise(scales: readonly Float32Array[], width: number, height: number): number[] {
  const found: number[] = [];
  for (const detail of scales) found.push(quietScale(detail, width, height, found));
  return found;
}

/** One scale of {@linkcode quietNoise}, from its details and the noise of all finer scales. */
export function quietScale(detail: Float32Array, width: number, height: number, finer: readonly number[]): number {
  const j = finer.length;
  const tiles = quietTiles(detail, width, height, 2 ** j);
  const whole = scaleNoise(detail);
  const measured = tiles < whole ? tiles : whole;
  const predicted = j > lastCorrelated ? finer[j - 1] * starletGains[j] / starletGains[j - 1] : Infinity;
  return measured < predicted || !(predicted > 0) ? measured : predicted;
}
