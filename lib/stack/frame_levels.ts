/** Sky level and noise of the centre of a frame, for the noise test and the ring limit. */
import type { BayerPattern, Region } from "../core/geometry.ts";
import type { SensorCorrection } from "../core/sensor_correction.ts";
import { readRegion, type RegionSource } from "../io/read_region.ts";
import { correctSamples } from "../kernels/correct.ts";
import { redPosition } from "../kernels/mosaic.ts";
import { madSigma } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";

/** Level and noise of one plane of a stack before normalisation. */
export interface FrameLevel {
  /** Median of the samples. */
  readonly level: number;
  /** Standard deviation of a sample, from differences of neighbours of one colour. */
  readonly noise: number;
}

/** Side of the square that is looked at: 65536 samples know the noise to half a percent. */
const side = 256;

/** Level and noise of each plane that a frame gives to a stack: its own planes, or red, green and blue of a mosaic. */
export function frameLevels(
  pixels: RegionSource | readonly Float32Array[],
  frame: {
    readonly width: number;
    readonly height: number;
    readonly planes: number;
    readonly bayer: BayerPattern | null;
    readonly correction: SensorCorrection | null;
  },
): FrameLevel[] {
  const { width, height, planes, bayer, correction } = frame;
  const w = Math.min(side, width);
  const h = Math.min(side, height);
  const region: Region = { x: (width - w) >> 1, y: (height - h) >> 1, width: w, height: h };
  const read = (plane: number): Float32Array => {
    const out = new Float32Array(w * h);
    if (Array.isArray(pixels)) {
      const data: Float32Array = pixels[plane];
      for (let y = 0; y < h; y++) {
        const from = (region.y + y) * width + region.x;
        out.set(data.subarray(from, from + w), y * w);
      }
    } else readRegion(pixels as RegionSource, region, plane, out);
    if (correction !== null) correctSamples(out, correction, region, out);
    return out;
  };
  if (bayer === null) return Array.from({ length: planes }, (_, plane) => levelOf(read(plane), w, h, 1, () => true));
  const raw = read(0);
  const red = redPosition(bayer);
  const isRed = (x: number, y: number) => ((x + region.x - red.x) & 1) === 0 && ((y + region.y - red.y) & 1) === 0;
  const isBlue = (x: number, y: number) => ((x + region.x - red.x) & 1) === 1 && ((y + region.y - red.y) & 1) === 1;
  return [isRed, (x: number, y: number) => !isRed(x, y) && !isBlue(x, y), isBlue].map((chosen) =>
    levelOf(raw, w, h, 2, chosen)
  );
}

function levelOf(
  samples: Float32Array,
  width: number,
  height: number,
  step: number,
  chosen: (x: number, y: number) => boolean,
): FrameLevel {
  const values: number[] = [];
  const differences: number[] = [];
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      if (!chosen(x, y)) continue;
      values.push(samples[y * width + x]);
      if (x + step < width) differences.push(samples[y * width + x + step] - samples[y * width + x]);
    }
  }
  const noise = differences.length > 0 ? madSigma(differences) / Math.SQRT2 : 0;
  const level = median(values);
  return { level: Number.isNaN(level) ? 0 : level, noise: Number.isNaN(noise) ? 0 : noise };
}
