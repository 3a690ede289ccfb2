/**
 * The hot loops of detection, over flat arrays and without options: block means, tile statistics, smoothing, peaks. A frame
 * is searched on means of 2 × 2 pixels: a quarter of the samples, smooth enough to be a matched filter, and the same for
 * mono frames and for the two green pixels of a mosaic's block.
 */
/**
 * The number of rank `k` among the first `n` (quickselect; Hoare 1961). As `selectRank` of the statistics room, for float32 alone:
 * one kind of array keeps the engine's code for this loop twice as fast.
 */
function selectRank(a: Float32Array, n: number, k: number): number {
  let left = 0, right = n - 1;
  while (right > left) {
    const p = a[left], q = a[(left + right) >> 1], r = a[right];
    const pivot = p < q ? (q < r ? q : p < r ? r : p) : (p < r ? p : q < r ? r : q);
    let i = left, j = right;
    while (i <= j) {
      while (a[i] < pivot) i++;
      while (a[j] > pivot) j--;
      if (i <= j) {
        const t = a[i];
        a[i++] = a[j];
        a[j--] = t;
      }
    }
    if (k <= j) right = j;
    else if (k >= i) left = i;
    else break;
  }
  return a[k];
}

/** A grid of block means. */
export interface Grid {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Samples, row by row. */
  readonly data: Float32Array;
}

/** Level and noise of square tiles of a grid. */
export interface Mesh {
  /** Tiles across. */
  readonly columns: number;
  /** Tiles down. */
  readonly rows: number;
  /** Side of a tile in samples of the grid; the last row and column of tiles may be smaller. */
  readonly tile: number;
  /** Level of each tile. */
  readonly level: Float64Array;
  /** Standard deviation of a sample within each tile. */
  readonly noise: Float64Array;
}

/** Means of 2 × 2 pixels; of the two green pixels when `parity` is 0 or 1. What is missing (NaN) does not count. */
export function blockMeans(data: Float32Array, width: number, height: number, parity: -1 | 0 | 1): Grid {
  const w = width >> 1, h = height >> 1, out = new Float32Array(w * h);
  if (parity === -1) {
    for (let y = 0; y < h; y++) {
      let a = 2 * y * width, b = a + width, o = y * w;
      for (let x = 0; x < w; x++, a += 2, b += 2, o++) {
        const sum = data[a] + data[a + 1] + data[b] + data[b + 1];
        out[o] = sum === sum ? sum * 0.25 : meanOfKnown(data[a], data[a + 1], data[b], data[b + 1]);
      }
    }
  } else {
    for (let y = 0; y < h; y++) {
      let a = 2 * y * width + parity, b = 2 * y * width + width + 1 - parity, o = y * w;
      for (let x = 0; x < w; x++, a += 2, b += 2, o++) {
        const sum = data[a] + data[b];
        out[o] = sum === sum ? sum * 0.5 : meanOfKnown(data[a], data[b], NaN, NaN);
      }
    }
  }
  return { width: w, height: h, data: out };
}

function meanOfKnown(a: number, b: number, c: number, d: number): number {
  let sum = 0, n = 0;
  for (const v of [a, b, c, d]) {
    if (v === v) {
      sum += v;
      n++;
    }
  }
  return n === 0 ? NaN : sum / n;
}

/**
 * Level and noise of each tile. Level: median of up to about 350 samples, one round of clipping at 2.5 sigma, then the mode of
 * what is left. Noise: 1.4826 × median |2 v − left − right| / √6, to which slopes and nebulae do not add. A tile with less than a
 * quarter of its samples known is NaN.
 */
export function tileStatistics(grid: Grid, tile: number): Mesh {
  const { width, height, data } = grid;
  const columns = Math.max(1, Math.round(width / tile)), rows = Math.max(1, Math.round(height / tile));
  const level = new Float64Array(columns * rows), noise = new Float64Array(columns * rows);
  const step = Math.max(1, Math.round(tile * tile / 350));
  const scratch = new Float32Array(Math.ceil((tile * 1.5 + 2) * (tile * 1.5 + 2)));
  const spread = new Float32Array(scratch.length), bend = new Float32Array(scratch.length);
  for (let r = 0; r < rows; r++) {
    const y0 = r * tile, y1 = r === rows - 1 ? height : y0 + tile;
    for (let c = 0; c < columns; c++) {
      const x0 = c * tile, x1 = c === columns - 1 ? width : x0 + tile;
      let n = 0, bends = 0, seen = 0;
      for (let y = y0; y < y1; y++) {
        for (let x = x0 + (y * 7) % step, i = y * width + x; x < x1; x += step, i += step) {
          const v = data[i];
          seen++;
          if (v !== v) continue;
          scratch[n++] = v;
          if (x === 0 || x === width - 1) continue;
          const d = 2 * v - data[i - 1] - data[i + 1];
          if (d === d) bend[bends++] = Math.abs(d);
        }
      }
      const at = r * columns + c;
      if (n === 0 || n < seen / 4 || bends === 0) {
        level[at] = noise[at] = NaN;
        continue;
      }
      const centre = selectRank(scratch, n, n >> 1);
      for (let i = 0; i < n; i++) spread[i] = Math.abs(scratch[i] - centre);
      const sigma = 1.482602218505602 * selectRank(spread, n, n >> 1);
      // One clipped round: stars in the tile lift the median by less than a tenth of sigma, and what they lift the mode gives back.
      const low = centre - 2.5 * sigma, high = centre + 2.5 * sigma;
      let kept = 0, sum = 0;
      for (let i = 0; i < n; i++) {
        const v = scratch[i];
        if (v >= low && v <= high) {
          scratch[kept++] = v;
          sum += v;
        }
      }
      const mean = sum / kept, middle = selectRank(scratch, kept, kept >> 1);
      level[at] = Math.abs(mean - middle) <= 0.3 * sigma ? 2.5 * middle - 1.5 * mean : middle;
      // Stars are in some of the differences: cut at 2.5 sigma and take the median of the rest, which for a normal is 0.66405 sigma.
      const cut = 2.5 * 1.482602218505602 * selectRank(bend, bends, bends >> 1);
      let calm = 0;
      for (let i = 0; i < bends; i++) if (bend[i] <= cut) bend[calm++] = bend[i];
      noise[at] = selectRank(bend, calm, calm >> 1) / (0.66405 * Math.sqrt(6));
    }
  }
  return { columns, rows, tile, level, noise };
}

/** Median of each tile of a grid with the sky roughly taken off, from every second sample of it. */
export function tileMedians(grid: Grid, tile: number): { columns: number; rows: number; level: Float64Array } {
  const { width, height, data } = grid;
  const columns = Math.max(1, Math.round(width / tile)), rows = Math.max(1, Math.round(height / tile));
  const level = new Float64Array(columns * rows), scratch = new Float32Array(Math.ceil((tile * 1.5 + 2) * (tile + 1)));
  for (let r = 0; r < rows; r++) {
    const y1 = r === rows - 1 ? height : (r + 1) * tile;
    for (let c = 0; c < columns; c++) {
      const x1 = c === columns - 1 ? width : (c + 1) * tile;
      let n = 0;
      for (let y = r * tile; y < y1; y++) {
        for (let x = c * tile + (y & 1), i = y * width + x; x < x1; x += 2, i += 2) scratch[n++] = data[i];
      }
      level[r * columns + c] = n === 0 ? 0 : selectRank(scratch, n, n >> 1);
    }
  }
  return { columns, rows, level };
}

/** Median of each 3 × 3 neighbourhood; unknown tiles take the median of what is known around them, growing outwards. */
export function smoothMesh(values: Float64Array, columns: number, rows: number): Float64Array {
  const out = new Float64Array(values.length);
  let near = new Float64Array(9);
  for (let r = 0; r < rows; r++) {
    for (let c = 0; c < columns; c++) {
      let n = 0;
      for (let reach = 1; reach <= Math.max(columns, rows); reach++) {
        n = 0;
        if ((2 * reach + 1) ** 2 > near.length) near = new Float64Array((2 * reach + 1) ** 2);
        for (let y = Math.max(0, r - reach); y <= Math.min(rows - 1, r + reach); y++) {
          for (let x = Math.max(0, c - reach); x <= Math.min(columns - 1, c + reach); x++) {
            const v = values[y * columns + x];
            if (v !== v) continue;
            // Nine numbers are sorted fastest by putting each where it belongs.
            let k = n++;
            for (; k > 0 && near[k - 1] > v; k--) near[k] = near[k - 1];
            near[k] = v;
          }
        }
        if (n > 0) break;
      }
      out[r * columns + c] = n === 0 ? 0 : n & 1 ? near[n >> 1] : (near[n / 2 - 1] + near[n / 2]) / 2;
    }
  }
  return out;
}

/** Value of a mesh at a point of its grid, bilinear between tile centres, constant beyond the outermost. */
export function meshAt(
  values: Float64Array,
  columns: number,
  rows: number,
  tile: number,
  x: number,
  y: number,
): number {
  const u = Math.min(columns - 1, Math.max(0, (x - (tile - 1) / 2) / tile));
  const v = Math.min(rows - 1, Math.max(0, (y - (tile - 1) / 2) / tile));
  const c = Math.min(columns - 1, Math.floor(u)), r = Math.min(rows - 1, Math.floor(v));
  const c1 = Math.min(columns - 1, c + 1), r1 = Math.min(rows - 1, r + 1), p = u - c, q = v - r;
  const top = values[r * columns + c] * (1 - p) + values[r * columns + c1] * p;
  const bottom = values[r1 * columns + c] * (1 - p) + values[r1 * columns + c1] * p;
  return top * (1 - q) + bottom * q;
}

/** Subtract the mesh (bilinear) from the grid in place; what is missing becomes 0. */
export function subtractMesh(grid: Grid, values: Float64Array, columns: number, rows: number, tile: number): void {
  const { width, height, data } = grid;
  const nodes = new Float64Array(columns), half = (tile - 1) / 2;
  for (let y = 0; y < height; y++) {
    const v = Math.min(rows - 1, Math.max(0, (y - half) / tile)), r = Math.floor(v), q = v - r;
    const r1 = Math.min(rows - 1, r + 1);
    for (let c = 0; c < columns; c++) nodes[c] = values[r * columns + c] * (1 - q) + values[r1 * columns + c] * q;
    let i = y * width, x = 0;
    for (let c = -1; c < columns; c++) {
      const from = c < 0 ? nodes[0] : nodes[c], to = c + 1 < columns ? nodes[c + 1] : nodes[columns - 1];
      const end = c + 1 < columns ? Math.min(width, Math.ceil((c + 1) * tile + half)) : width;
      const slope = (to - from) / tile;
      let value = from + slope * (x - (c * tile + half));
      if (c < 0) value = from;
      const add = c < 0 ? 0 : slope;
      for (; x < end; x++, i++) {
        const d = data[i] - value;
        data[i] = d === d ? d : 0;
        value += add;
      }
    }
  }
}

/**
 * Subtract a row's own median from each row, and a column's from each column, where they scatter more than the noise explains
 * (read-out banding, bad columns). In place. Returns the excess scatter of rows and of columns.
 */
export function subtractLines(grid: Grid, noise: number): { rows: number; columns: number } {
  const { width, height, data } = grid;
  const excess = (lines: number, length: number, lineStep: number, sampleStep: number): number => {
    if (lines < 16 || length < 64) return 0;
    const stride = Math.max(1, Math.floor(length / 120)), count = Math.floor(length / stride);
    const scratch = new Float32Array(count), medians = new Float32Array(lines);
    for (let l = 0; l < lines; l++) {
      for (let k = 0, i = l * lineStep; k < count; k++, i += stride * sampleStep) scratch[k] = data[i];
      medians[l] = selectRank(scratch, count, count >> 1);
    }
    const copy = medians.slice(), centre = selectRank(copy, lines, lines >> 1);
    for (let l = 0; l < lines; l++) copy[l] = Math.abs(medians[l] - centre);
    const scatter = 1.482602218505602 * selectRank(copy, lines, lines >> 1);
    const expected = 1.2533 * noise / Math.sqrt(count);
    if (!(scatter > 1.5 * expected)) return 0;
    for (let l = 0; l < lines; l++) {
      const value = medians[l] - centre;
      for (let k = 0, i = l * lineStep; k < length; k++, i += sampleStep) data[i] -= value;
    }
    return Math.sqrt(scatter * scatter - expected * expected);
  };
  const rows = excess(height, width, width, 1);
  return { rows, columns: excess(width, height, 1, width) };
}

/** Smooth with [1 2 1] ⊗ [1 2 1] / 16; the border repeats its outermost sample. */
export function smoothGrid(grid: Grid): Grid {
  const { width, height, data } = grid, out = new Float32Array(data.length), line = new Float32Array(width + 2);
  for (let y = 0; y < height; y++) {
    const a = Math.max(0, y - 1) * width, b = y * width, c = Math.min(height - 1, y + 1) * width;
    for (let x = 0; x < width; x++) line[x + 1] = data[a + x] + 2 * data[b + x] + data[c + x];
    line[0] = line[1];
    line[width + 1] = line[width];
    for (let x = 0; x < width; x++) out[b + x] = (line[x] + 2 * line[x + 1] + line[x + 2]) * 0.0625;
  }
  return { width, height, data: out };
}

/** Indices of samples higher than their eight neighbours and than `limits` (one a tile of `tile` samples), brightest first. */
export function findPeaks(grid: Grid, limits: Float64Array, columns: number, rows: number, tile: number): Int32Array {
  const { width, height, data } = grid;
  let found = new Int32Array(4096), n = 0;
  for (let y = 1; y < height - 1; y++) {
    const r = Math.min(rows - 1, Math.floor(y / tile));
    for (let c = 0; c < columns; c++) {
      const limit = limits[r * columns + c];
      const end = c === columns - 1 ? width - 1 : (c + 1) * tile;
      for (let x = Math.max(1, c * tile), i = y * width + x; x < end; x++, i++) {
        const v = data[i];
        if (
          v > limit && v >= data[i + 1] && v > data[i - 1] && v > data[i - width] && v >= data[i + width] &&
          v > data[i - width - 1] && v > data[i - width + 1] && v >= data[i + width - 1] && v >= data[i + width + 1]
        ) {
          if (n === found.length) {
            const larger = new Int32Array(2 * n);
            larger.set(found);
            found = larger;
          }
          found[n++] = i;
        }
      }
    }
  }
  return found.slice(0, n).sort((a, b) => data[b] - data[a] || a - b);
}
