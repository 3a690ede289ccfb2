/** The starlet transform: a plane as a sum of details, each twice as wide as the one before, and a smooth rest. */
import { starletScale } from "../kernels/starlet_scale.ts";
import { medianInPlace, quantileOf } from "../stats/samples.ts";

/**
 * One smoothing of the transform: the B3 spline [1 4 6 4 1] / 16 along rows and columns with holes of `step` − 1 pixels,
 * mirrored at the borders (Starck & Murtagh 2002). Samples without data make their neighbourhood NaN; fill them first.
 */
export const starletSmooth = (data: Float32Array, width: number, height: number, step: number): Float32Array =>
  starletScale(data, width, height, step).smooth;

/** A plane in parts: their sum, with `rest`, is the plane. */
export interface Starlet {
  /** Details of the scales 1, 2, 4 … pixels. */
  readonly scales: readonly Float32Array[];
  /** What is wider than all of them. */
  readonly rest: Float32Array;
}

/** Replace samples without data by the last one with data along the row, so that the transform has something to smooth. */
export function withoutGaps(data: Float32Array): Float32Array {
  let first = NaN;
  for (let i = 0; i < data.length && first !== first; i++) first = data[i];
  if (!data.some((v) => v !== v)) return data;
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

/** Standard deviation of the noise in one scale: 1.4826 × the median size, objects clipped in rounds at three times that. */
export function scaleNoise(detail: Float32Array): number {
  const stride = Math.max(1, Math.floor(detail.length / 150_000) | 1),
    kept = new Float64Array(Math.ceil(detail.length / stride));
  let n = 0;
  for (let i = 0; i < detail.length; i += stride) if (detail[i] === detail[i]) kept[n++] = Math.abs(detail[i]);
  if (n === 0) return NaN;
  let sigma = 1.482602218505602 * medianInPlace(kept, n);
  for (let round = 0; round < 3; round++) {
    let m = 0;
    for (let i = 0; i < n; i++) if (kept[i] <= 3 * sigma) kept[m++] = kept[i];
    if (m === n || m === 0) break;
    n = m;
    // The median of what is left after cutting at 3 sigma is 0.9946 of the uncut one's.
    sigma = 1.482602218505602 * medianInPlace(kept, n) / 0.9966;
  }
  return sigma;
}

/** Side of a tile of {@linkcode quietNoise} in steps of its scale: 256 samples that hardly depend on one another. */
const quietTile = 16;
/** Share of the tiles taken for quiet. */
const quietShare = 0.1;
/** What the 10 % quantile of the tiles' deviations is of that of pure noise; measured on white noise, the same for all scales. */
const quietBias = 0.907;
/** Tiles that a plane must have for a tenth of them to mean something. */
const fewestTiles = 8;
/** Last scale that interpolation correlates: details of four pixels. */
const lastCorrelated = 2;

/** The tenth of the tiles of one scale with least in them; NaN where there are too few tiles to tell. */
function quietTiles(detail: Float32Array, width: number, height: number, step: number): number {
  const side = quietTile * step, columns = Math.floor(width / side), rows = Math.floor(height / side);
  if (columns * rows < fewestTiles) return NaN;
  const sizes = new Float64Array(quietTile * quietTile), found: number[] = [];
  for (let r = 0; r < rows; r++) {
    for (let c = 0; c < columns; c++) {
      let n = 0;
      for (let y = r * side; y < (r + 1) * side; y += step) {
        for (let x = c * side; x < (c + 1) * side; x += step) {
          const v = detail[y * width + x];
          if (v === v) sizes[n++] = Math.abs(v);
        }
      }
      // a tile that is mostly gap or bridged gap tells nothing
      const sigma = n > sizes.length / 2 ? 1.482602218505602 * medianInPlace(sizes, n) : 0;
      if (sigma > 0) found.push(sigma);
    }
  }
  return found.length < fewestTiles ? NaN : quantileOf(Float64Array.from(found), quietShare) / quietBias;
}

/**
 * Standard deviation of the noise in each scale where the plane is quietest: that of the tenth of its tiles with least in them. A
 * nebula that fills most of the field raises {@linkcode scaleNoise}, as it is detail everywhere; some sky is left in nearly
 * every field, and this finds it. Beyond four pixels noise is white (interpolation reaches no further), so a coarser scale,
 * of which a field holds few independent samples, has no more noise than the finer one predicts.
 *
 * @param scales details of a starlet transform, from the finest
 */
export function quietNoise(scales: readonly Float32Array[], width: number, height: number): number[] {
  const found: number[] = [];
  scales.forEach((detail, j) => {
    const tiles = quietTiles(detail, width, height, 2 ** j), whole = scaleNoise(detail);
    const measured = tiles < whole ? tiles : whole;
    const predicted = j > lastCorrelated ? found[j - 1] * starletGains[j] / starletGains[j - 1] : Infinity;
    found.push(measured < predicted || !(predicted > 0) ? measured : predicted);
  });
  return found;
}
