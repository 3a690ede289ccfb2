/** Meshes of tiles, and banding: what the star search does with the few numbers its passes over the samples leave. */
import { type Grid, lineMedians, type TileLevels } from "../kernels/detection.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { medianErrorFactor } from "../stats/median_error.ts";
import { medianInPlace } from "../stats/samples.ts";

const medianOfThree = (a: number, b: number, c: number): number =>
  Math.max(Math.min(a, b), Math.min(Math.max(a, b), c));

/**
 * Median of three times three neighbours; NaN if one of them is. The median of nine is the median of the greatest
 * minimum, the median of the medians and the least maximum of three rows.
 */
function medianOfNine(v: Float64Array, p: number, q: number, r: number): number {
  const a = v[p - 1];
  const b = v[p];
  const c = v[p + 1];
  const d = v[q - 1];
  const e = v[q];
  const f = v[q + 1];
  const g = v[r - 1];
  const h = v[r];
  const i = v[r + 1];
  return medianOfThree(
    Math.max(Math.min(a, b, c), Math.min(d, e, f), Math.min(g, h, i)),
    medianOfThree(medianOfThree(a, b, c), medianOfThree(d, e, f), medianOfThree(g, h, i)),
    Math.min(Math.max(a, b, c), Math.max(d, e, f), Math.max(g, h, i)),
  );
}

/** Values of the tiles of a mesh. */
interface Tiles {
  readonly values: Float64Array;
  readonly columns: number;
  readonly rows: number;
}

/** Median of the known tiles in the smallest square about a tile that holds any; 0 if none is known. */
function nearestMedian({ values, columns, rows }: Tiles, column: number, row: number): number {
  for (let reach = 1; reach <= Math.max(columns, rows); reach++) {
    const near: number[] = [];
    for (let y = Math.max(0, row - reach); y <= Math.min(rows - 1, row + reach); y++) {
      for (let x = Math.max(0, column - reach); x <= Math.min(columns - 1, column + reach); x++) {
        const v = values[y * columns + x];
        if (v === v) near.push(v);
      }
    }
    if (near.length > 0) return medianInPlace(Float64Array.from(near));
  }
  return 0;
}

/** Median of the neighbours of a tile that its place in the mesh allows for; NaN if one of them is unknown. */
function neighbourMedian({ values, columns, rows }: Tiles, column: number, row: number, large: boolean): number {
  const at = row * columns + column;
  const atSide = column === 0 || column === columns - 1;
  const atEnd = row === 0 || row === rows - 1;
  if (!atSide && !atEnd) return medianOfNine(values, at - columns, at, at + columns);
  if (!large || atSide === atEnd) return NaN;
  const step = atSide ? columns : 1;
  return medianOfThree(values[at - step], values[at], values[at + step]);
}

/** The corners by the two borders that end there, in place, so that a slope stays one. */
function continueCorners({ values, columns, rows }: Tiles, smooth: Float64Array): void {
  const last = (rows - 1) * columns;
  const corners = [[0, 1, 1], [columns - 1, -1, 1], [last, 1, -1], [last + columns - 1, -1, -1]];
  for (const [at, dx, dy] of corners) {
    const down = dy * columns;
    const across = 2 * smooth[at + dx] - smooth[at + 2 * dx];
    const level = medianOfThree(values[at], across, 2 * smooth[at + down] - smooth[at + 2 * down]);
    if (level === level) smooth[at] = level;
  }
}

/**
 * Median of each 3 × 3 neighbourhood; along the borders of three, and in a corner of what it and the two borders that
 * end there tell, so that a slope stays one. Unknown tiles take the median of what is known around them, growing
 * outwards.
 *
 * @param inner the medians of all but the outermost tiles, where they are known already
 */
export function smoothMesh(
  values: Float64Array,
  columns: number,
  rows: number,
  inner: Float32Array | null = null,
): Float64Array {
  const tiles = { values, columns, rows };
  const smooth = new Float64Array(values.length);
  const large = columns >= 4 && rows >= 4;
  for (let row = 0; row < rows; row++) {
    for (let column = 0; column < columns; column++) {
      const at = row * columns + column;
      const isInner = column > 0 && column < columns - 1 && row > 0 && row < rows - 1;
      if (inner !== null && isInner) {
        smooth[at] = inner[at];
        continue;
      }
      const median = neighbourMedian(tiles, column, row, large);
      smooth[at] = median === median ? median : nearestMedian(tiles, column, row);
    }
  }
  if (large) continueCorners(tiles, smooth);
  return smooth;
}

/** Value of a mesh at a point of its grid: bilinear between tile centres and to half a tile beyond, then held. */
export function meshAt(mesh: TileLevels, x: number, y: number): number {
  const { columns, rows, tile, left, top: first, level } = mesh;
  const u = Math.min(columns - 0.5, Math.max(-0.5, (x - left - (tile - 1) / 2) / tile));
  const v = Math.min(rows - 0.5, Math.max(-0.5, (y - first - (tile - 1) / 2) / tile));
  const c = Math.max(0, Math.min(columns - 2, Math.floor(u)));
  const r = Math.max(0, Math.min(rows - 2, Math.floor(v)));
  const c1 = Math.min(columns - 1, c + 1);
  const r1 = Math.min(rows - 1, r + 1);
  const p = u - c;
  const q = v - r;
  const top = level[r * columns + c] * (1 - p) + level[r * columns + c1] * p;
  const bottom = level[r1 * columns + c] * (1 - p) + level[r1 * columns + c1] * p;
  return top * (1 - q) + bottom * q;
}

/** Fewest lines, and samples of a line, for banding to be told from noise. */
const minimumLines = 16;
const minimumLineSamples = 64;
/** Samples a line that its median is taken from. */
const samplesPerLine = 80;
/** Scatter of the lines' medians over what noise explains from which on there is banding. */
const minimumBandingRatio = 1.5;

/** Parallel lines of a grid: how many, how long, and the steps from line to line and along one. */
interface Lines {
  readonly count: number;
  readonly length: number;
  readonly lineStep: number;
  readonly sampleStep: number;
}

/** Subtract the deviation of each line's median, in place, where they scatter beyond noise. Returns that excess. */
function subtractLineBanding(grid: Grid, { count, length, lineStep, sampleStep }: Lines, noise: number): number {
  if (count < minimumLines || length < minimumLineSamples) return 0;
  const stride = Math.max(1, Math.floor(length / samplesPerLine));
  const samples = Math.floor(length / stride);
  const medians = lineMedians(grid, count, lineStep, samples, stride * sampleStep, noise);
  const deviations = medians.slice();
  const centre = medianInPlace(deviations);
  for (let l = 0; l < count; l++) deviations[l] = Math.abs(medians[l] - centre);
  const scatter = madSigmaFactor * medianInPlace(deviations);
  const expected = medianErrorFactor * noise / Math.sqrt(samples);
  if (!(scatter > minimumBandingRatio * expected)) return 0;

  const { data } = grid;
  for (let l = 0; l < count; l++) {
    const value = medians[l] - centre;
    for (let k = 0, i = l * lineStep; k < length; k++, i += sampleStep) data[i] -= value;
  }
  return Math.sqrt(scatter * scatter - expected * expected);
}

/**
 * Subtract a row's own median from each row, and a column's from each column, where they scatter more than the noise
 * explains (read-out banding, bad columns). In place. Returns the excess scatter of rows and of columns.
 */
export function subtractBanding(grid: Grid, noise: number): { rows: number; columns: number } {
  const { width, height } = grid;
  const rows = subtractLineBanding(
    grid,
    { count: height, length: width, lineStep: width, sampleStep: 1 },
    noise,
  );
  const columns = subtractLineBanding(
    grid,
    { count: width, length: height, lineStep: 1, sampleStep: width },
    noise,
  );
  return { rows, columns };
}
