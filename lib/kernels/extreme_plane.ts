/** Lowest and highest samples around each pixel. */
import { borrowPlane } from "../core/memory.ts";
import { type Band, openBand, overBands } from "./bands.ts";
import { withKernel } from "./machine.ts";
import type { PoolTask } from "./pool.ts";
import { lowestTwin } from "./twin.ts";

interface ExtremeParameters {
  readonly width: number;
  readonly height: number;
  readonly chords: Int32Array;
  readonly sign: number;
}

/** Rows from … to of a band; runs in a worker. */
export function extremeBand(band: Band<ExtremeParameters>): void {
  const { read, write: [out], wasm } = openBand(band), { from, to } = band;
  const { width, height, chords, sign } = band.parameters, source = read[0] as Float32Array;
  if (!wasm) return lowestTwin(source, out, width, height, from, to, chords, sign);
  const reach = chords.length >> 1, widest = Math.max(...chords), levels = 31 - Math.clz32(2 * widest + 1);
  // Missing samples on each side as far as the widest row of the disc reaches, and room for whole vectors.
  const pad = (widest + 7) & ~3, pitch = (width + 2 * pad + (1 << levels) + 7) & ~3, head = (chords.length + 3) & ~3;
  const table = new Float32Array(head + (levels + 1) * pitch);
  new Int32Array(table.buffer).set(chords);
  withKernel("lowest", { a: source, o: out.subarray(from * width, to * width) }, table, (kernel, at) => {
    const line = at.scratch + 4 * head;
    kernel(at.a, at.o, width, height, from, to, reach, at.scratch, line, pitch, pad, levels, sign);
  });
}
const task: PoolTask<Band<ExtremeParameters>, void> = {
  module: import.meta.url,
  name: "extremeBand",
  run: extremeBand,
};

/**
 * Lowest (erosion) or highest (dilation) sample within a disc around each pixel (Serra 1982). What lies beyond the edge, and
 * samples that are not finite, are left out; NaN where nothing is left. Cost: two comparisons a pixel and row of the disc.
 *
 * @param radius of the disc in pixels; a pixel belongs to it when its centre lies no farther away
 * @param out receives the result; a fresh shared plane if left out; not `source`
 */
export function extremePlane(
  source: Float32Array,
  width: number,
  height: number,
  radius: number,
  which: "lowest" | "highest",
  out: Float32Array = borrowPlane(width * height),
): Float32Array {
  const reach = Math.floor(radius), chords = new Int32Array(2 * reach + 1);
  for (let j = -reach; j <= reach; j++) chords[j + reach] = Math.floor(Math.sqrt(radius * radius - j * j));
  const parameters = { width, height, chords, sign: which === "lowest" ? 1 : -1 };
  overBands(task, height, width * chords.length, [source], [out], parameters);
  return out;
}
