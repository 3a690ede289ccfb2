/** What of a scale's details stands out of its noise. */
import { type Band, openBand, overBands } from "./bands.ts";
import { withKernel } from "./machine.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { thresholdDetailTwin } from "./threshold_detail.twin.ts";

/** What decides how much of a detail is kept. */
export interface ThresholdSettings {
  /** Distance of the scale's taps: 2^j at scale j, counted from 0. */
  readonly step: number;
  /** 1 / variance of the scale's noise where it is least; 0 with `grain` 1 keeps all. */
  readonly norm: number;
  /** Most that one sample counts, in variances. */
  readonly most: number;
  /** Mean power of a neighbourhood up to which its details are noise, in variances. */
  readonly low: number;
  /** The same from which they are kept whole. */
  readonly high: number;
  /** Share of noise that is kept, 0 … 1. */
  readonly grain: number;
}

interface KeepParameters extends ThresholdSettings {
  readonly width: number;
  readonly height: number;
  readonly first: boolean;
}

/** Rows from … to of a band; runs in a worker. */
export function thresholdBand(band: Band<KeepParameters>): void {
  const { read, write: [out], wasm } = openBand(band);
  const { from, to } = band;
  const { width, height, step, norm, most, low, high, grain, first } = band.parameters;
  const [a, b, c] = read as Float32Array[];
  const scale = 1 / (high - low);
  if (!wasm) {
    thresholdDetailTwin(a, b, c, out, width, height, step, from, to, norm, most, low, scale, grain, first);
    return;
  }
  const o = out.subarray(from * width, to * width);
  withKernel("thresholdDetail", { a, b, c, o }, 4 * (width + 4 * step + 8), (kernel, at) => {
    const what = [norm, most, low, scale, grain, first ? 1 : 0];
    kernel(at.a, at.b, at.c, at.o, at.scratch, width, height, step, from, to, ...what);
  }, !first);
}
const task: PoolTask<Band<KeepParameters>, void> = {
  module: import.meta.url,
  name: "thresholdBand",
  run: thresholdBand,
};

/**
 * Add the kept part of one scale's details to a plane. The power of a sample is detail² · norm · even, at most `most`;
 * its mean over the neighbourhood, weighted as the scale's own smoothing is, leads from `grain` (at `low`) to 1 (at
 * `high`) along a smooth step.
 *
 * @param even relative weight of each sample's square: 1 where the noise is least, less where there is more
 * @param judged details whose power tells what is kept, if not those of the plane itself
 * @param out what the details are added to; without `first` it must hold samples
 * @param first put them there instead
 */
export function thresholdDetail(
  detail: Float32Array,
  even: Float32Array,
  width: number,
  height: number,
  settings: ThresholdSettings,
  out: Float32Array,
  first: boolean,
  judged: Float32Array = detail,
): void {
  overBands(task, height, 4 * width, [judged, even, detail], [out], { ...settings, width, height, first });
}
