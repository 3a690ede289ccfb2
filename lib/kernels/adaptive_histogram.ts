/** Tones of a picture counted by parts, and redrawn through a curve of each part. */
import { type Band, openBand, overBands } from "./bands.ts";
import { scratchFloats, withKernel } from "./machine.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { applyTileCurvesTwin, countTileHistogramsTwin } from "./adaptive_histogram.twin.ts";

/** Parts of a picture, all nearly equally large. */
export interface Parts {
  /** Columns of the picture. */
  readonly width: number;
  /** Rows of the picture. */
  readonly height: number;
  /** Parts side by side. */
  readonly across: number;
  /** Parts one above the other. */
  readonly down: number;
  /** Equal tones of 0 … 1 that are told apart. */
  readonly tones: number;
}

/** Counts of the parts of some rows of parts; runs in a worker. */
export function countBand(band: Band<Parts>): Uint32Array {
  const { read, wasm } = openBand(band);
  const { width, height, across, down, tones } = band.parameters;
  const light = read[0] as Float32Array;
  const counts = new Uint32Array((band.to - band.from) * across * (tones + 1));
  for (let row = band.from, at = 0; row < band.to; row++) {
    const y0 = Math.floor(height * row / down);
    const y1 = Math.floor(height * (row + 1) / down);
    const rows = light.subarray(y0 * width, y1 * width);
    for (let column = 0; column < across; column++, at += tones + 1) {
      const x0 = Math.floor(width * column / across);
      const x1 = Math.floor(width * (column + 1) / across);
      const found = counts.subarray(at, at + tones + 1);
      if (!wasm) {
        countTileHistogramsTwin(rows, width, x0, x1, y1 - y0, tones, found);
        continue;
      }
      withKernel("countTileHistograms", { a: rows }, 16 * (tones + 1), (kernel, at) => {
        kernel(at.a, width, x0, x1, 0, y1 - y0, tones, at.scratch);
        found.set(new Uint32Array(scratchFloats().buffer, at.scratch, tones + 1));
      });
    }
  }
  return counts;
}
const countTask: PoolTask<Band<Parts>, Uint32Array> = { module: import.meta.url, name: "countBand", run: countBand };

/**
 * Count the tones of each part of a picture: `tones` counts a part, what lies beyond 0 … 1 in the outermost ones, and
 * behind them how many samples have no data; parts row by row.
 */
export function countTileHistograms(light: Float32Array, parts: Parts): Uint32Array {
  const { width, height, across, down, tones } = parts;
  const all = new Uint32Array(across * down * (tones + 1));
  let at = 0;
  for (const counts of overBands(countTask, down, Math.ceil(width * height / down), [light], [], parts)) {
    all.set(counts, at);
    at += counts.length;
  }
  return all;
}

interface DrawParameters extends Parts {
  readonly strength: number;
}

/** Draws rows from … to of a band; runs in a worker. */
export function drawBand(band: Band<DrawParameters>): void {
  const { read, write: [out], wasm } = openBand(band);
  const { from, to, parameters } = band;
  const { width, height, across, down, tones, strength } = parameters;
  const [light, nodes] = read as Float32Array[];
  const line = (width + 3) & ~3;
  const size = 8 * (tones + 1);
  const left = new Int32Array(line);
  const right = new Int32Array(line);
  const part = new Float32Array(line);
  for (let x = 0; x < width; x++) {
    const u = (x + 0.5) * across / width - 0.5;
    const k = Math.floor(u);
    left[x] = size * Math.max(0, k);
    right[x] = size * Math.min(across - 1, k + 1);
    part[x] = u - k;
  }
  if (!wasm) return applyTileCurvesTwin(light, out, from, to, parameters, nodes, left, right, part);
  const room = (nodes.length + 7) & ~3;
  const floats = room + 3 * line + 2 * across * (tones + 1) + 8;
  withKernel("applyTileCurves", { a: light, o: out.subarray(from * width, to * width) }, 4 * floats, (kernel, at) => {
    const sides = at.scratch + 4 * room;
    const pairs = sides + 12 * line;
    const edge = pairs + across * size;
    const scratch = scratchFloats();
    scratch.set(nodes, at.scratch / 4);
    new Int32Array(scratch.buffer, sides, line).set(left);
    new Int32Array(scratch.buffer, sides + 4 * line, line).set(right);
    scratch.set(part, sides / 4 + 2 * line);
    const places = [at.scratch, sides, pairs, edge];
    kernel(at.a, at.o, width, height, from, to, across, down, tones, ...places, strength);
  });
}
const drawTask: PoolTask<Band<DrawParameters>, void> = { module: import.meta.url, name: "drawBand", run: drawBand };

/**
 * Draw a picture through the curves of its four nearest parts, blended by its distance from their middles; curves are
 * straight within a tone. NaN stays NaN, everything else comes to lie within 0 … 1.
 *
 * @param nodes heights of the curves at the borders of the tones, tones + 1 a part, parts row by row
 * @param strength how far samples are moved towards what the curves make of them, 0 … 1
 * @param out receives the result
 */
export function applyTileCurves(
  light: Float32Array,
  parts: Parts,
  nodes: Float32Array,
  strength: number,
  out: Float32Array,
): void {
  overBands(drawTask, parts.height, 4 * parts.width, [light, nodes], [out], { ...parts, strength });
}
