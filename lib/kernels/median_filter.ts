/** Medians of small neighbourhoods of a plane. */
import { borrowPlane } from "../core/memory.ts";
import { type Band, openBand, overBands } from "./bands.ts";
import { withKernel } from "./machine.ts";
import { type MedianParameters, medianRow } from "./median_filter.twin.ts";
import type { PoolTask } from "../parallel/pool.ts";

/** Whether a sample of a row has no data. */
function hasGap(samples: Float32Array, from: number, to: number): boolean {
  for (let i = from; i < to; i++) if (samples[i] !== samples[i]) return true;
  return false;
}

/** Rows from … to of a band; runs in a worker. */
export function medianBand(band: Band<MedianParameters>): void {
  const { read, write: [out], wasm } = openBand(band);
  const { from, to, parameters } = band;
  const { width, height, radius, step, own } = parameters;
  const samples = read[0] as Float32Array;
  const reach = radius * step;
  const values = new Float64Array((2 * radius + 1) ** 2);
  const first = Math.max(from, reach);
  const last = Math.min(to, height - reach);
  const inside = wasm && width >= 2 * reach + 4 && first < last;
  if (inside) {
    const target = out.subarray(first * width, last * width);
    withKernel("medians", { a: samples, o: target }, 16 * values.length, (kernel, at) => {
      kernel(at.a, at.o, width, first, last, radius, step, own ? 1 : 0, at.scratch);
    });
  }
  // rows of the band's neighbourhood with gaps, whose surroundings the kernel does not know how to judge
  const gaps = Uint8Array.from(
    { length: Math.min(height, to + reach) },
    (_, y) => y >= from - reach && hasGap(samples, y * width, (y + 1) * width) ? 1 : 0,
  );
  for (let y = from; y < to; y++) {
    const known = inside && y >= first && y < last && !gaps.subarray(y - reach, y + reach + 1).includes(1);
    if (known) {
      medianRow(samples, parameters, y, 0, reach, values, out);
      medianRow(samples, parameters, y, width - reach, width, values, out);
    } else medianRow(samples, parameters, y, 0, width, values, out);
  }
}

const task: PoolTask<Band<MedianParameters>, void> = { module: import.meta.url, name: "medianBand", run: medianBand };

/**
 * Median of the (2r + 1)² neighbourhood of each pixel, samples `step` pixels apart (2 keeps to one colour of a
 * mosaic). NaN samples are left out; at the edges only what exists counts. NaN where nothing does.
 *
 * @param own whether the pixel itself belongs to its neighbourhood
 * @param out receives the medians; a fresh shared plane if left out; not `samples`
 */
export function medianPlane(
  samples: Float32Array,
  width: number,
  height: number,
  radius: number,
  step: number,
  own: boolean,
  out: Float32Array = borrowPlane(width * height),
): Float32Array {
  overBands(task, height, width * (2 * radius + 1) ** 2, [samples], [out], { width, height, radius, step, own });
  return out;
}
