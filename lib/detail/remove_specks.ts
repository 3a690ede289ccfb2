/** Single samples that stand out as no star can: hot or dead pixels that stacking left. */
import { borrowPlane, returnPlane } from "../core/memory.ts";
import type { Raster } from "../core/raster.ts";
import { scaleNoise, starletGains, withoutGaps } from "../filters/starlet.ts";
import { type Band, openBand, overBands } from "../kernels/bands.ts";
import { starletScale } from "../kernels/starlet.ts";
import type { PoolTask } from "../parallel/pool.ts";

/** Distance of a speck from the median of its neighbours, in standard deviations of the noise, at least. */
const minimumDeviation = 5;
/** Distance from both neighbours in the row below which a sample is not looked at further: most lie near one. */
const minimumStep = 4;
/** Distance of any neighbour from the median over that of the speck, at most. */
const maximumNeighbourShare = 0.25;

/** Noise that specks stand out of, and the size of the plane. */
interface SpeckSettings {
  readonly width: number;
  readonly height: number;
  readonly noise: number;
}

/** Copies rows without their specks. */
export function copyWithoutSpecks(band: Band<SpeckSettings>): void {
  const { from, to, parameters: { width, height, noise } } = band;
  const { read, write: [out] } = openBand(band);
  const data = read[0] as Float32Array;
  const near = new Float64Array(8);
  out.set(data.subarray(from * width, to * width), from * width);
  if (!(noise > 0)) return;
  for (let y = Math.max(1, from); y < Math.min(height - 1, to); y++) {
    for (let x = 1; x + 1 < width; x++) {
      const i = y * width + x;
      const v = data[i];
      const left = data[i - 1];
      const right = data[i + 1];
      if (!(Math.abs(v - left) > minimumStep * noise && Math.abs(v - right) > minimumStep * noise)) continue;
      near[0] = data[i - width - 1];
      near[1] = data[i - width];
      near[2] = data[i - width + 1];
      near[3] = left;
      near[4] = right;
      near[5] = data[i + width - 1];
      near[6] = data[i + width];
      near[7] = data[i + width + 1];
      near.sort();
      const median = (near[3] + near[4]) / 2;
      const away = v - median;
      const next = away > 0 ? near[7] - median : median - near[0];
      const alone = next < maximumNeighbourShare * Math.abs(away);
      if (Math.abs(away) > minimumDeviation * noise && alone) out[i] = median;
    }
  }
}

const specksTask: PoolTask<Band<SpeckSettings>, void> = {
  module: import.meta.url,
  name: "copyWithoutSpecks",
  run: copyWithoutSpecks,
};

/** Distance in pixels from which samples have a part in whether one is a speck. */
export const speckReach = 1;

/** Noise of a plane that specks stand out of: that of its finest details. */
export function speckNoise({ data, width, height }: Raster): number {
  const smooth = borrowPlane(width * height);
  const finest = borrowPlane(width * height);
  const { detail } = starletScale(withoutGaps(data), width, height, 1, smooth, finest);
  const noise = scaleNoise(detail) / starletGains[0];
  returnPlane(smooth);
  returnPlane(finest);
  return noise;
}

/**
 * A copy of a plane without single samples that stand out of their eight neighbours, up or down, by more than five
 * standard deviations and four times as far as any neighbour does: narrower than a star can be, so no object's. They
 * take the median of their neighbours. A borrowed plane.
 */
export function withoutSpecks({ data, width, height }: Raster, noise: number): Float32Array {
  const out = borrowPlane(width * height);
  overBands(specksTask, height, width, [data], [out], { width, height, noise });
  return out;
}
