/** The spectrum of a frame, freed of what stands still on the sensor. */
import type { Image } from "../core/image.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
import { type ComplexPlane, powerOfTwo, transformPlane } from "./fourier.ts";

/** Taper towards the borders. */
export type Window = "hann" | "none";

/** One plane in double precision. */
export interface Grey {
  /** Columns. */
  readonly width: number;
  /** Rows. */
  readonly height: number;
  /** Samples row by row; NaN without data. */
  readonly data: Float64Array;
}

/** Mean of the planes less the pattern; NaN where a plane has no data. */
export function greyOf(image: Image, pattern: Image | null): Grey {
  const { width, height, planes } = image;
  const data = new Float64Array(width * height);
  planes.forEach(({ data: samples }, k) => {
    const held = pattern === null ? null : pattern.planes[k].data;
    for (let i = 0; i < data.length; i++) data[i] += (samples[i] - (held === null ? 0 : held[i])) / planes.length;
  });
  return { width, height, data };
}

/** Median of the samples that hold data, 0 when none does. */
const medianOrZero = (values: Float64Array): number => {
  const found = median(values);
  return Number.isNaN(found) ? 0 : found;
};

/** Take the median of each row and column away, in place. */
function levelLines({ width, height, data }: Grey): void {
  for (let y = 0; y < height; y++) {
    const row = data.subarray(y * width, (y + 1) * width);
    const typical = medianOrZero(row);
    for (let x = 0; x < width; x++) row[x] -= typical;
  }
  const column = new Float64Array(height);
  for (let x = 0; x < width; x++) {
    for (let y = 0; y < height; y++) column[y] = data[y * width + x];
    const typical = medianOrZero(column);
    for (let y = 0; y < height; y++) data[y * width + x] -= typical;
  }
}

/** Take the median of each row and column away, and hold single pixels to the second largest of their neighbours. */
export function removePattern(grey: Grey): Grey {
  const { width, height } = grey;
  const data = grey.data.slice();
  levelLines({ width, height, data });
  const out = data.slice();
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      let first = -Infinity;
      let second = -Infinity;
      let least = Infinity;
      for (let j = Math.max(0, y - 1); j <= Math.min(height - 1, y + 1); j++) {
        for (let i = Math.max(0, x - 1); i <= Math.min(width - 1, x + 1); i++) {
          if (i === x && j === y) continue;
          const value = data[j * width + i];
          if (value > first) {
            second = first;
            first = value;
          } else if (value > second) second = value;
          if (value < least) least = value;
        }
      }
      const at = y * width + x;
      // the second highest, because hot pixels come in pairs and a star has more than one bright neighbour
      const high = second > -Infinity ? second : first;
      if (data[at] > high) out[at] = high;
      else if (data[at] < least) out[at] = least;
    }
  }
  return { width, height, data: out };
}

/** Means of squares of `factor` × `factor` pixels; NaN where none holds data. */
export function binned(grey: Grey, factor: number): Grey {
  if (factor === 1) return grey;
  const width = Math.floor(grey.width / factor);
  const height = Math.floor(grey.height / factor);
  const data = new Float64Array(width * height);
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      let sum = 0;
      let count = 0;
      for (let j = 0; j < factor; j++) {
        for (let i = 0; i < factor; i++) {
          const value = grey.data[(y * factor + j) * grey.width + x * factor + i];
          if (value === value) {
            sum += value;
            count++;
          }
        }
      }
      data[y * width + x] = count > 0 ? sum / count : NaN;
    }
  }
  return { width, height, data };
}

/** What a taper multiplies sample i of n by. */
export const taper = (window: Window, i: number, n: number): number =>
  window === "none" ? 1 : 0.5 - 0.5 * Math.cos(2 * Math.PI * (i + 0.5) / n);

/** The spectrum: background away, outliers held, tapered, laid into a plane of powers of two. */
export function spectrumOf(grey: Grey, window: Window): ComplexPlane {
  const { width, height, data } = grey;
  const plane: ComplexPlane = {
    width: powerOfTwo(width),
    height: powerOfTwo(height),
    re: new Float64Array(powerOfTwo(width) * powerOfTwo(height)),
    im: new Float64Array(powerOfTwo(width) * powerOfTwo(height)),
  };
  const level = window === "none" ? 0 : medianOrZero(data);
  const spread = madSigmaFactor * medianOrZero(data.map((each) => Math.abs(each - level)));
  // one bright star must not outweigh the field: with more than five sigma a single cosmic ray of a capped frame finds
  // it
  const most = window === "none" || !(spread > 0) ? Infinity : 5 * spread;
  for (let y = 0; y < height; y++) {
    const down = taper(window, y, height);
    for (let x = 0; x < width; x++) {
      const value = data[y * width + x] - level;
      plane.re[y * plane.width + x] = value === value
        ? Math.max(-most, Math.min(most, value)) * down * taper(window, x, width)
        : 0;
    }
  }
  transformPlane(plane, false);
  return plane;
}
