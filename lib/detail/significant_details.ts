/** Details of a plane by scale, those of its noise taken down. */
import { borrowPlane, returnPlane } from "../core/memory.ts";
import { type Band, openBand, overBands } from "../kernels/bands.ts";
import { thresholdDetail } from "../kernels/threshold_detail.ts";
import { tileMads } from "../kernels/tile_mad.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { starletScale } from "../kernels/starlet.ts";
import { quietScale, withoutGaps } from "../filters/starlet.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";

/** Side of a tile whose own noise is measured, pixels: a thousand samples give it to 4 %. */
const noiseTile = 32;
/** Largest variance of a tile over that of the quietest sky that counts as noise. */
const mostUneven = 9;

/**
 * Variance of the noise of the quietest sky over that of each pixel's neighbourhood, 1 or less: edges of the field
 * behind which fewer frames lie, the light of a nebula. It is measured on the finest details, where hardly anything
 * but noise is.
 */
function evenness(finest: Float32Array, width: number, height: number, quiet: number): Float32Array {
  const columns = Math.max(1, Math.round(width / noiseTile));
  const rows = Math.max(1, Math.round(height / noiseTile));
  const edges = (size: number, count: number) =>
    Int32Array.from({ length: count + 1 }, (_, k) => Math.floor(k * size / count));
  const grid = Array.from(tileMads(finest, width, edges(width, columns), edges(height, rows), 1).medians, (tileMad) => {
    const sigma = madSigmaFactor * tileMad;
    return Math.max(1, Math.min(mostUneven, (sigma / quiet) ** 2)) || 1;
  });
  // one tile with a bright star in it is no uneven noise
  const calm = grid.map((_, at) => {
    const c = at % columns;
    const r = Math.floor(at / columns);
    const near: number[] = [];
    for (let y = Math.max(0, r - 1); y <= Math.min(rows - 1, r + 1); y++) {
      for (let x = Math.max(0, c - 1); x <= Math.min(columns - 1, c + 1); x++) near.push(grid[y * columns + x]);
    }
    return median(near);
  });
  const out = borrowPlane(width * height);
  overBands(evenTask, height, width, [], [out], { calm: Float64Array.from(calm), columns, rows, width, height });
  return out;
}

/** Tiles between whose middles {@linkcode evenRows} interpolates. */
interface EvenSettings {
  readonly calm: Float64Array;
  readonly columns: number;
  readonly rows: number;
  readonly width: number;
  readonly height: number;
}

/** Draws rows of what {@linkcode evenness} returns. */
export function evenRows(band: Band<EvenSettings>): void {
  const { from, to, parameters: { calm, columns, rows, width, height } } = band;
  const [out] = openBand(band).write;
  const near = new Float64Array(columns);
  const column = new Int32Array(width);
  const part = new Float64Array(width);
  for (let x = 0; x < width; x++) {
    const u = Math.max(0, Math.min(columns - 1, (x + 0.5) * columns / width - 0.5));
    column[x] = Math.min(Math.max(0, columns - 2), Math.floor(u));
    part[x] = u - column[x];
  }
  for (let y = from; y < to; y++) {
    const v = Math.max(0, Math.min(rows - 1, (y + 0.5) * rows / height - 0.5));
    const r = Math.floor(v);
    const t = v - r;
    const above = r * columns;
    const below = Math.min(rows - 1, r + 1) * columns;
    for (let c = 0; c < columns; c++) near[c] = calm[above + c] + t * (calm[below + c] - calm[above + c]);
    for (let x = 0, i = y * width; x < width; x++, i++) {
      const here = near[column[x]];
      out[i] = part[x] > 0 ? 1 / (here + part[x] * (near[column[x] + 1] - here)) : 1 / here;
    }
  }
}

const evenTask: PoolTask<Band<EvenSettings>, void> = { module: import.meta.url, name: "evenRows", run: evenRows };

/** A plane in two borrowed parts whose sum it is. */
export interface PartedPlane {
  /** What is left of the details. */
  readonly details: Float32Array;
  /** What is smoother than all of them. */
  readonly rest: Float32Array;
}

/** Noise of the details of a plane. */
export interface DetailNoise {
  /** Standard deviation in each scale where it is least. */
  readonly noises: readonly number[];
  /** Its variance there over that about each pixel; a borrowed plane. */
  readonly even: Float32Array;
  /** The details themselves, from the finest; borrowed planes. */
  readonly scales: readonly Float32Array[];
}

/** The details of a plane and the noise of each scale. */
export function measureDetailNoise(data: Float32Array, width: number, height: number, count: number): DetailNoise {
  const size = width * height;
  const smooth = [borrowPlane(size), borrowPlane(size)];
  const noises: number[] = [];
  const scales: Float32Array[] = [];
  let source = withoutGaps(data);
  let even: Float32Array | null = null;
  for (let j = 0; j < count; j++) {
    const { detail } = starletScale(source, width, height, 2 ** j, smooth[j % 2], borrowPlane(size));
    scales.push(detail);
    noises.push(quietScale(detail, width, height, noises));
    even ??= evenness(detail, width, height, noises[0]);
    source = smooth[j % 2];
  }
  smooth.forEach(returnPlane);
  return { noises, even: even as Float32Array, scales };
}

/**
 * Takes insignificant details of a plane down, scale by scale from the finest. Significance is that of the
 * neighbourhood, so that single specks count little.
 *
 * @param count scales looked at: 1, 2, 4 … pixels
 * @param threshold standard deviations below which a detail is noise
 * @param grain share of noise that stays, 0 … 1
 * @param known another plane whose details and noise tell what is kept, in place of the plane's own
 */
export function significantDetails(
  data: Float32Array,
  width: number,
  height: number,
  count: number,
  threshold: number,
  grain: number,
  known: DetailNoise | null = null,
): PartedPlane {
  const size = width * height;
  const details = borrowPlane(size);
  const detail = borrowPlane(size);
  const noises: number[] = [];
  const smooth = [borrowPlane(size), borrowPlane(size)];
  let source = withoutGaps(data);
  let even = known === null ? null : known.even;
  // a neighbourhood's mean square of noise is 1; a threshold of 3 stands for one of 3 over its few samples
  const low = 1 + 0.25 * threshold;
  const high = 1 + 1.25 * threshold;
  for (let j = 0; j < count; j++) {
    const step = 2 ** j;
    const next = smooth[j % 2];
    starletScale(source, width, height, step, next, detail);
    const noise = known === null ? quietScale(detail, width, height, noises) : known.noises[j];
    noises.push(noise);
    even ??= evenness(detail, width, height, noise);
    // a single sample, however far out, is no detail: light spreads over several
    const limits = { step, most: 2 * high, low, high };
    const kept = noise > 0 ? { ...limits, norm: 1 / (noise * noise), grain } : { ...limits, norm: 0, grain: 1 };
    thresholdDetail(detail, even, width, height, kept, details, j === 0, known === null ? detail : known.scales[j]);
    source = next;
  }
  if (known === null) returnPlane(even as Float32Array);
  returnPlane(detail);
  returnPlane(smooth[count % 2]);
  return { details, rest: source };
}
