/** Meshes of tiles, and banding: what a survey does with the few numbers that its passes over the samples leave. */
import { type Grid, lineMedians, type TileLevels } from "../kernels/detection.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { medianInPlace } from "../stats/samples.ts";

const medianOfThree = (a: number, b: number, c: number): number =>
  Math.max(Math.min(a, b), Math.min(Math.max(a, b), c));

/**
 * Middle of three times three neighbours; NaN if one of them is. The middle of nine is the middle of the greatest
 * least, the middle middle and the least greatest of three rows.
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
  const out = new Float64Array(values.length);
  const large = columns >= 4 && rows >= 4;
  let near = new Float64Array(9);
  for (let r = 0; r < rows; r++) {
    for (let c = 0; c < columns; c++) {
      const at = r * columns + c;
      const side = c === 0 || c === columns - 1;
      const end = r === 0 || r === rows - 1;
      if (inner !== null && !side && !end) {
        out[at] = inner[at];
        continue;
      }
      if (large && side !== end) {
        const step = side ? columns : 1;
        const middle = medianOfThree(values[at - step], values[at], values[at + step]);
        if (middle === middle) {
          out[at] = middle;
          continue;
        }
      }
      if (!side && !end) {
        const middle = medianOfNine(values, at - columns, at, at + columns);
        if (middle === middle) {
          out[at] = middle;
          continue;
        }
      }
      let n = 0;
      for (let reach = 1; reach <= Math.max(columns, rows); reach++) {
        n = 0;
        if ((2 * reach + 1) ** 2 > near.length) near = new Float64Array((2 * reach + 1) ** 2);
        for (let y = Math.max(0, r - reach); y <= Math.min(rows - 1, r + reach); y++) {
          for (let x = Math.max(0, c - reach); x <= Math.min(columns - 1, c + reach); x++) {
            const v = values[y * columns + x];
            if (v === v) near[n++] = v;
          }
        }
        if (n > 0) break;
      }
      out[at] = n === 0 ? 0 : medianInPlace(near, n);
    }
  }
  if (large) {
    for (
      const [at, dx, dy] of [[0, 1, 1], [columns - 1, -1, 1], [(rows - 1) * columns, 1, -1], [
        rows * columns - 1,
        -1,
        -1,
      ]]
    ) {
      const across = 2 * out[at + dx] - out[at + 2 * dx];
      const down = dy * columns;
      const middle = medianOfThree(values[at], across, 2 * out[at + down] - out[at + 2 * down]);
      if (middle === middle) out[at] = middle;
    }
  }
  return out;
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

/**
 * Subtract a row's own median from each row, and a column's from each column, where they scatter more than the noise
 * explains (read-out banding, bad columns). In place. Returns the excess scatter of rows and of columns.
 */
export function subtractBanding(grid: Grid, noise: number): { rows: number; columns: number } {
  const { width, height, data } = grid;
  const excess = (lines: number, length: number, lineStep: number, sampleStep: number): number => {
    if (lines < 16 || length < 64) return 0;
    const stride = Math.max(1, Math.floor(length / 80));
    const count = Math.floor(length / stride);
    const middles = lineMedians(grid, lines, lineStep, count, stride * sampleStep, noise);
    const copy = middles.slice();
    const centre = medianInPlace(copy);
    for (let l = 0; l < lines; l++) copy[l] = Math.abs(middles[l] - centre);
    const scatter = madSigmaFactor * medianInPlace(copy);
    const expected = 1.2533 * noise / Math.sqrt(count);
    if (!(scatter > 1.5 * expected)) return 0;
    for (let l = 0; l < lines; l++) {
      const value = middles[l] - centre;
      for (let k = 0, i = l * lineStep; k < length; k++, i += sampleStep) data[i] -= value;
    }
    return Math.sqrt(scatter * scatter - expected * expected);
  };
  const rows = excess(height, width, width, 1);
  return { rows, columns: excess(width, height, 1, width) };
}
