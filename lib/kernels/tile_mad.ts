/** Medians of the absolute values of samples: estimates of the noise about 0. */
import { kernelKind, scratchFloats, withKernel } from "./machine.ts";
import { clippedMadTwin, tileMadsTwin } from "./tile_mad.twin.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";

/**
 * Median absolute value of the samples in each tile of a grid, row by row, and how many of them have data; NaN and 0
 * where none has.
 *
 * @param columns where the tiles begin, and where the last one ends
 * @param rows the same of rows
 * @param step every step-th sample each way is looked at
 */
export function tileMads(
  data: Float32Array,
  width: number,
  columns: Int32Array,
  rows: Int32Array,
  step: number,
): { readonly medians: Float64Array; readonly counts: Float64Array } {
  const across = columns.length - 1;
  const down = rows.length - 1;
  const tiles = across * down;
  const medians = new Float64Array(tiles);
  const counts = new Float64Array(tiles);
  const widest = (edges: Int32Array) =>
    edges.reduce((longest, edge, k) => k === 0 ? 0 : Math.max(longest, Math.ceil((edge - edges[k - 1]) / step)), 0);
  const room = widest(columns) * widest(rows);
  if (kernelKind() === "twin") {
    tileMadsTwin(data, width, columns, rows, step, room, medians, counts);
    return { medians, counts };
  }
  const out = 16 * tiles;
  const edges = (across + down + 2 + 3) & ~3;
  const bytes = out + 4 * edges + 4 * room + 64;
  withKernel("tileMads", { a: data }, bytes, (kernel, at) => {
    const list = at.scratch + out;
    const whole = new Int32Array(scratchFloats().buffer, list, edges);
    whole.set(columns);
    whole.set(rows, across + 1);
    kernel(at.a, width, list, across, list + 4 * (across + 1), down, step, list + 4 * edges, at.scratch);
    const found = new Float64Array(scratchFloats().buffer, at.scratch, 2 * tiles);
    for (let k = 0; k < tiles; k++) {
      medians[k] = found[2 * k];
      counts[k] = found[2 * k + 1];
    }
  });
  return { medians, counts };
}

/**
 * Standard deviation of samples about 0 from the median of their absolute values, clipped again and again at three
 * times that; NaN where no sample has data.
 *
 * @param stride every stride-th sample is looked at
 * @param iterations how often they are clipped at most
 * @param afterClip what the median of a normal distribution becomes when it is cut at three standard deviations
 */
export function clippedMad(data: Float32Array, stride: number, iterations: number, afterClip: number): number {
  const { length } = data;
  if (kernelKind() === "twin") return clippedMadTwin(data, stride, iterations, madSigmaFactor, afterClip);
  let sigma = NaN;
  withKernel("clippedMad", { a: data }, 4 * Math.ceil(length / stride) + 64, (kernel, at) => {
    sigma = kernel(at.a, length, stride, at.scratch, iterations, madSigmaFactor, afterClip) as number;
  });
  return sigma;
}
