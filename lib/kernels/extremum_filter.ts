/** Lowest and highest samples around each pixel. */
import { borrowPlane } from "../core/memory.ts";
import { type Band, openBand, overBands } from "./bands.ts";
import { scratchFloats, withKernel } from "./machine.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { extremumTwin } from "./extremum_filter.twin.ts";

interface ExtremeParameters {
  readonly width: number;
  readonly height: number;
  readonly chords: Int32Array;
  readonly sign: number;
}

/** Most samples of a row worked on at a time, and least. */
const longestStrip = 2048;
const shortestStrip = 256;
/** What the rows kept for a strip may take, in floats: they fit the second cache. */
const kept = 2 ** 18;

/** Rows from … to of a band; runs in a worker. */
export function extremumBand(band: Band<ExtremeParameters>): void {
  const { read, write: [out], wasm } = openBand(band);
  const { from, to } = band;
  const { width, height, chords, sign } = band.parameters;
  const source = read[0] as Float32Array;
  if (!wasm) return extremumTwin(source, out, width, height, from, to, chords, sign);
  const size = chords.length;
  const reach = size >> 1;
  const widths = [...new Set(chords)].sort((a, b) => a - b);
  const widest = widths[widths.length - 1];
  const levels = 31 - Math.clz32(2 * widest + 1);
  const kinds = widths.length;
  // Missing samples on each side as far as the widest row of the disc reaches, and room for whole vectors.
  const longest = Math.max(shortestStrip, Math.min(longestStrip, Math.floor(kept / (size * kinds))));
  const even = (Math.ceil(width / Math.ceil(width / longest)) + 31) & ~31;
  // Rows a multiple of 4096 bytes apart get in each other's way in the cache.
  const side = even % 1024 === 0 ? even + 32 : even;
  const pad = (widest + 3) & ~3;
  const pitch = side + 2 * pad + 4;
  const head = (kinds + 2 * size + 15) & ~15;
  const lines = (levels + 1) * pitch;
  const bytes = 4 * (head + lines + size * kinds * side);
  withKernel("extremum", { a: source, o: out.subarray(from * width, to * width) }, bytes, (kernel, at) => {
    const scratch = scratchFloats();
    const table = new Int32Array(scratch.buffer, at.scratch, head);
    table.set(widths);
    for (let j = 0; j < size; j++) table[kinds + j] = widths.indexOf(chords[j]);
    const line = at.scratch + 4 * head;
    const ring = line + 4 * lines;
    const places = at.scratch + 4 * kinds;
    const rows = places + 4 * size;
    kernel(
      ...[at.a, at.o, width, height, from, to, reach, kinds, at.scratch, places],
      ...[line, pitch, pad, side, ring, rows, sign],
    );
  });
}
const task: PoolTask<Band<ExtremeParameters>, void> = {
  module: import.meta.url,
  name: "extremumBand",
  run: extremumBand,
};

/**
 * Lowest (erosion) or highest (dilation) sample within a disc around each pixel (Serra 1982). What lies beyond the
 * edge, and samples that are not finite, are left out; NaN where nothing is left. Cost: a comparison a pixel and row
 * of the disc, and a few for each different length of its rows.
 *
 * @param radius of the disc in pixels; a pixel belongs to it when its centre lies no farther away
 * @param out receives the result; a fresh shared plane if left out; not `source`
 */
export function extremumPlane(
  source: Float32Array,
  width: number,
  height: number,
  radius: number,
  which: "lowest" | "highest",
  out: Float32Array = borrowPlane(width * height),
): Float32Array {
  const reach = Math.floor(radius);
  const chords = new Int32Array(2 * reach + 1);
  for (let j = -reach; j <= reach; j++) chords[j + reach] = Math.floor(Math.sqrt(radius * radius - j * j));
  const parameters = { width, height, chords, sign: which === "lowest" ? 1 : -1 };
  overBands(task, height, width * chords.length, [source], [out], parameters);
  return out;
}
