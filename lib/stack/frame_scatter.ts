/**
 * How the samples of a stack scatter about one another, as they arrive on the canvas: calibrated, resampled,
 * normalised. Measured in windows spread over the canvas before the tiles are made, so that no verdict depends on how
 * the canvas is cut.
 */
import type { Region } from "../core/geometry.ts";
import { groupedPixels, moderatedCentres } from "../kernels/moderate.ts";
import type { Strip } from "../kernels/rejection.ts";
import { madSigma } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
import { scatterMedian } from "../stats/moderated_limit.ts";

/** Scatter of one plane over the canvas, at the centres of a grid of windows, row by row. */
export interface PlaneScatter {
  /** Windows along x. */
  readonly columns: number;
  /** Windows along y. */
  readonly rows: number;
  /** Variance of a sample of sky. */
  readonly base: Float64Array;
  /** Level of that sky. */
  readonly level: Float64Array;
  /** Variance a unit of signal above the level. */
  readonly perUnit: number;
  /** Noise of each frame relative to the others'. */
  readonly ratios: Float32Array;
}

/** What one window tells about one plane. */
export interface WindowScatter {
  /** Variance of a sample. */
  readonly base: number;
  /** Level. */
  readonly level: number;
  /** Variance of each frame against the mean of the others. */
  readonly against: readonly number[];
  /** Samples a pixel. */
  readonly samples: number;
}

/** Side of a window, canvas pixels: 2304 scatters of 8 samples know the variance to 1.5 %. */
export const windowSide = 48;
/** Canvas pixels from window to window: vignetting and glow change over more. */
const windowPitch = 800;

/** Windows of a canvas. */
export function scatterWindows(
  width: number,
  height: number,
): { readonly columns: number; readonly rows: number; readonly windows: readonly Region[] } {
  const along = (size: number) => Math.max(1, Math.min(8, Math.round(size / windowPitch)));
  const columns = along(width);
  const rows = along(height);
  const w = Math.min(windowSide, width);
  const h = Math.min(windowSide, height);
  const windows: Region[] = [];
  for (let j = 0; j < rows; j++) {
    for (let i = 0; i < columns; i++) {
      const x = Math.floor((i + 0.5) * width / columns - w / 2);
      const y = Math.floor((j + 0.5) * height / rows - h / 2);
      windows.push({ x, y, width: w, height: h });
    }
  }
  return { columns, rows, windows };
}

/** Scatter of the strip of one plane of a window. */
export function stripScatter(strip: Strip): WindowScatter {
  const { samples, frames, stride, count } = strip;
  const plane = groupedPixels(count);
  const differences: number[][] = Array.from({ length: frames }, () => []);
  const counts = new Uint16Array(count);
  let seen = 0;
  let pixels = 0;
  for (let p = 0; p < count; p++) {
    let n = 0;
    let sum = 0;
    for (let f = 0; f < frames; f++) {
      const x = samples[f * stride + p];
      if (x === x) {
        n++;
        sum += x;
      }
    }
    counts[p] = n;
    if (n < 3) continue;
    seen += n;
    pixels++;
    for (let f = 0; f < frames; f++) {
      const x = samples[f * stride + p];
      if (x === x) differences[f].push(x - (sum - x) / (n - 1));
    }
  }
  const against = differences.map((each) => each.length < 100 ? NaN : madSigma(Float64Array.from(each)) ** 2);
  const mean = pixels === 0 ? 0 : seen / pixels;
  const noise = { base: null, level: null, perUnit: 0, prior: 0, ratios: ratiosOf(against, mean) };
  // A limit of 1 in place of the limits: the scale itself comes back.
  const { data } = moderatedCentres(strip, noise, new Float32Array(frames + 1).fill(1), new Float32Array(3 * plane));
  const spreads: number[] = [];
  const levels: number[] = [];
  for (let p = 0; p < count; p++) {
    if (counts[p] < 3) continue;
    spreads.push(data[plane + p] ** 2 / scatterMedian(counts[p]));
    levels.push(data[p]);
  }
  return { base: median(spreads), level: median(levels), against, samples: mean };
}

/**
 * Variance of each frame relative to the others' from the variances V of its differences to the mean of the n − 1
 * others: V = σ² + Σ' σ'² / (n − 1)², solved for σ².
 */
function ratiosOf(against: readonly number[], samples: number): Float32Array {
  const n = Math.max(3, samples);
  const share = 1 / (n - 1) ** 2;
  const typicalAgainst = median(against.filter((each) => each === each));
  const sum = typicalAgainst * n * (n - 1) / n;
  const squares = against.map((each) => (each - sum * share) / (1 - share));
  const typical = median(squares.filter((each) => each === each));
  return Float32Array.from(squares, (each) => {
    const ratio = Math.sqrt(each / typical);
    return ratio === ratio && typical > 0 ? Math.min(4, Math.max(0.25, ratio)) : 1;
  });
}

/**
 * Scatter of one plane from its windows; windows that fewer than three frames see take the median of the others.
 *
 * @param perUnit variance a unit of signal
 * @returns null where no window tells anything
 */
export function planeScatter(
  windows: readonly WindowScatter[],
  columns: number,
  rows: number,
  perUnit: number,
): PlaneScatter | null {
  const known = windows.filter(({ base }) => base === base);
  if (known.length === 0) return null;
  const base = median(known.map((each) => each.base));
  const level = median(known.map((each) => each.level));
  const frames = known[0].against.length;
  const against = Array.from({ length: frames }, (_, f) => {
    const list = known.map((each) => each.against[f]).filter((each) => each === each);
    return list.length === 0 ? NaN : median(list);
  });
  return {
    columns,
    rows,
    base: Float64Array.from(windows, (each) => each.base === each.base ? each.base : base),
    level: Float64Array.from(windows, (each) => each.base === each.base ? each.level : level),
    perUnit,
    ratios: ratiosOf(against, median(known.map((each) => each.samples))),
  };
}

/**
 * Base and level at the pixels of an area of the canvas, linear between the centres of the windows and constant
 * beyond.
 */
export function scatterOver(
  scatter: PlaneScatter,
  canvas: { readonly width: number; readonly height: number },
  area: Region,
  base: Float32Array,
  level: Float32Array,
): void {
  const { columns, rows } = scatter;
  const place = (at: number, size: number, count: number): number =>
    Math.min(count - 1, Math.max(0, (at + 0.5) * count / size - 0.5));
  const left = new Int32Array(area.width);
  const shares = new Float64Array(area.width);
  for (let x = 0; x < area.width; x++) {
    const t = place(area.x + x, canvas.width, columns);
    left[x] = Math.min(Math.max(0, columns - 2), Math.floor(t));
    shares[x] = t - left[x];
  }
  // The row's values at the windows' columns, and one more so that the last has a neighbour.
  const line = new Float64Array(columns + 1);
  for (const [nodes, out] of [[scatter.base, base], [scatter.level, level]] as const) {
    for (let y = 0, p = 0; y < area.height; y++) {
      const t = place(area.y + y, canvas.height, rows);
      const above = Math.min(Math.max(0, rows - 2), Math.floor(t));
      const v = t - above;
      const below = Math.min(rows - 1, above + 1);
      for (let i = 0; i < columns; i++) line[i] = (1 - v) * nodes[above * columns + i] + v * nodes[below * columns + i];
      line[columns] = line[columns - 1];
      for (let x = 0; x < area.width; x++, p++) {
        const i = left[x];
        const from = line[i];
        out[p] = from + shares[x] * (line[i + 1] - from);
      }
    }
  }
}
