/** The shift between two frames from their pixels, for fields where stars cannot be listed. */
import type { Point } from "../core/geometry.ts";
import { type Image, requireSameSize } from "../core/image.ts";
import { settle } from "../core/options.ts";
import type { Transform } from "../core/transform.ts";
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
import { type ComplexPlane, powerOfTwo, transformPlane } from "./fourier.ts";

/** Options of {@linkcode phaseCorrelate}. */
export interface PhaseCorrelateOptions {
  /** Steps a pixel of the final search. */
  readonly upsampling: number;
  /** Taper towards the borders, so that they do not count as structure. */
  readonly window: "hann" | "none";
  /**
   * Whether all frequencies up to the smoothing count alike (phase correlation) or by their power (plain correlation).
   */
  readonly whiten: boolean;
  /** Width (FWHM) of the smoothing against pixel noise, pixels; 0 smooths nothing. */
  readonly smoothingPixels: number;
  /** Whether rows, columns and single pixels that stick out are levelled first: what stands still must not win. */
  readonly removePattern: boolean;
  /** What both frames hold besides the sky (the median of a drifting night), same size and unit; `null` for none. */
  readonly pattern: Image | null;
  /** Whether the frame may also lie upside down (after the meridian flip). */
  readonly flip: boolean;
  /** Frames with longer sides are binned to this, pixels. */
  readonly maximumSide: number;
  /** Expected number of peaks by mere chance that is still accepted. */
  readonly falseAlarms: number;
}

/**
 * Defaults of {@linkcode phaseCorrelate}. A hundredth of a pixel is finer than any frame allows; 3 pixels is the width
 * of a star on a well-chosen sensor; with equal frequencies the peak stood four times as high over the rest on real
 * trailed subs; one wrong shift in 10 000 frames as in star matching.
 */
export const phaseCorrelateDefaults: Readonly<PhaseCorrelateOptions> = Object.freeze({
  upsampling: 100,
  window: "hann",
  whiten: true,
  smoothingPixels: 3,
  removePattern: true,
  pattern: null,
  flip: false,
  maximumSide: 1024,
  falseAlarms: 1e-4,
});

/** Result of {@linkcode phaseCorrelate}. */
export interface PhaseCorrelation {
  /** Source pixel → reference pixel: a shift, or half a turn with a shift. */
  readonly transform: Transform;
  /** Reference place of the source's first pixel; for an upright frame the shift itself. */
  readonly shift: Point;
  /** Height of the peak over the spread of the correlation elsewhere. */
  readonly significance: number;
  /** Whether that is more than chance gives. */
  readonly trusted: boolean;
  /** Whether the frame lies upside down. */
  readonly flipped: boolean;
  /** Whether the peak lies at no shift at all: a guided frame, or the fixed pattern. */
  readonly standing: boolean;
  /** Facts and doubts a reader should see. */
  readonly notes: readonly string[];
}

interface Grey {
  readonly width: number;
  readonly height: number;
  readonly data: Float64Array;
}

/** Mean of the planes less the pattern; NaN where a plane has no data. */
function greyOf(image: Image, pattern: Image | null): Grey {
  const { width, height, planes } = image;
  const data = new Float64Array(width * height);
  planes.forEach(({ data: samples }, k) => {
    const held = pattern === null ? null : pattern.planes[k].data;
    for (let i = 0; i < data.length; i++) data[i] += (samples[i] - (held === null ? 0 : held[i])) / planes.length;
  });
  return { width, height, data };
}

/** FWHM over sigma to five digits: shifts are measured with it, and `fwhmPerSigma` would move their last digits. */
const shortFwhmPerSigma = 2.3548;

/** Median of the samples that hold data, 0 when none does. */
const middleOf = (values: Float64Array): number => {
  const middle = median(values);
  return Number.isNaN(middle) ? 0 : middle;
};

/** Take the median of each row and column away, and hold single pixels to the largest of their eight neighbours. */
function level(grey: Grey): Grey {
  const { width, height } = grey;
  const data = grey.data.slice();
  for (let y = 0; y < height; y++) {
    const row = data.subarray(y * width, (y + 1) * width);
    const middle = middleOf(row);
    for (let x = 0; x < width; x++) row[x] -= middle;
  }
  const column = new Float64Array(height);
  for (let x = 0; x < width; x++) {
    for (let y = 0; y < height; y++) column[y] = data[y * width + x];
    const middle = middleOf(column);
    for (let y = 0; y < height; y++) data[y * width + x] -= middle;
  }
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

function binned(grey: Grey, factor: number): Grey {
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

/** Background away, wild samples held, tapered, laid into a plane of powers of two. */
function prepare(grey: Grey, window: "hann" | "none"): ComplexPlane {
  const { width, height, data } = grey;
  const plane: ComplexPlane = {
    width: powerOfTwo(width),
    height: powerOfTwo(height),
    re: new Float64Array(powerOfTwo(width) * powerOfTwo(height)),
    im: new Float64Array(powerOfTwo(width) * powerOfTwo(height)),
  };
  const middle = window === "none" ? 0 : middleOf(data);
  const spread = madSigmaFactor * middleOf(data.map((each) => Math.abs(each - middle)));
  // one bright star must not outweigh the field: with more than five sigma a single cosmic ray of a capped frame finds
  // it
  const most = window === "none" || !(spread > 0) ? Infinity : 5 * spread;
  for (let y = 0; y < height; y++) {
    const down = taper(window, y, height);
    for (let x = 0; x < width; x++) {
      const value = data[y * width + x] - middle;
      plane.re[y * plane.width + x] = value === value
        ? Math.max(-most, Math.min(most, value)) * down * taper(window, x, width)
        : 0;
    }
  }
  transformPlane(plane, false);
  return plane;
}

const frequency = (k: number, n: number): number => (k <= n / 2 ? k : k - n) / n;

/** What a taper multiplies sample i of n by. */
const taper = (window: "hann" | "none", i: number, n: number): number =>
  window === "none" ? 1 : 0.5 - 0.5 * Math.cos(2 * Math.PI * (i + 0.5) / n);

/**
 * Variance that noise gives the correlation at each shift along one axis, mean 1: the tapers overlap less and less, so
 * a peak far out is worth more than one of the same height near the middle.
 */
function noiseAlong(window: "hann" | "none", size: number, padded: number, flipped: boolean): Float64Array {
  const out = new Float64Array(padded);
  const squares = Float64Array.from({ length: size }, (_, i) => taper(window, i, size) ** 2);
  for (let d = 0; d < padded; d++) {
    for (let i = 0; i < size; i++) {
      const j = (flipped ? d - i + padded : i + d) % padded;
      if (j < size) out[d] += squares[i] * squares[j];
    }
  }
  const mean = out.reduce((a, b) => a + b, 0) / padded;
  return out.map((each) => each / mean);
}

/** Shifts at which less than this share of the mean noise is left show too little of both frames to be judged. */
const leastOverlap = 0.1;

interface Peak {
  readonly x: number;
  readonly y: number;
  readonly height: number;
  readonly significance: number;
}

/** Value of the correlation at any place, from the cross spectrum: the matrix transform of Guizar-Sicairos et al. */
function upsampled(spectrum: ComplexPlane, x0: number, y0: number, step: number, count: number): Peak {
  const { width, height, re, im } = spectrum;
  const partRe = new Float64Array(height * count);
  const partIm = new Float64Array(height * count);
  const cos = new Float64Array(width * count);
  const sin = new Float64Array(width * count);
  for (let i = 0; i < count; i++) {
    for (let k = 0; k < width; k++) {
      const phase = 2 * Math.PI * frequency(k, width) * (x0 + i * step);
      cos[i * width + k] = Math.cos(phase);
      sin[i * width + k] = Math.sin(phase);
    }
  }
  for (let l = 0; l < height; l++) {
    const row = l * width;
    for (let i = 0; i < count; i++) {
      let a = 0;
      let b = 0;
      for (let k = 0, at = i * width; k < width; k++, at++) {
        a += re[row + k] * cos[at] - im[row + k] * sin[at];
        b += re[row + k] * sin[at] + im[row + k] * cos[at];
      }
      partRe[l * count + i] = a;
      partIm[l * count + i] = b;
    }
  }
  let best = { x: x0, y: y0, height: -Infinity, significance: NaN };
  for (let j = 0; j < count; j++) {
    const y = y0 + j * step;
    for (let i = 0; i < count; i++) {
      let sum = 0;
      for (let l = 0; l < height; l++) {
        const phase = 2 * Math.PI * frequency(l, height) * y;
        sum += partRe[l * count + i] * Math.cos(phase) - partIm[l * count + i] * Math.sin(phase);
      }
      if (sum > best.height) best = { x: x0 + i * step, y, height: sum, significance: NaN };
    }
  }
  return best;
}

interface Candidates {
  readonly moved: Peak | null;
  readonly still: Peak;
  readonly needed: number;
  readonly spectrum: ComplexPlane;
}

function correlate(
  source: ComplexPlane,
  reference: ComplexPlane,
  flipped: boolean,
  whiten: boolean,
  smoothing: number,
  falseAlarms: number,
  noise: readonly [Float64Array, Float64Array],
): Candidates {
  const { width, height } = source;
  const n = width * height;
  const spectrum: ComplexPlane = { width, height, re: new Float64Array(n), im: new Float64Array(n) };
  const sigma = smoothing / shortFwhmPerSigma;
  for (let l = 0, at = 0; l < height; l++) {
    for (let k = 0; k < width; k++, at++) {
      // the transform of a picture turned by half a turn is the conjugate, up to a shift
      const a = source.re[at];
      const b = flipped ? -source.im[at] : source.im[at];
      const re = reference.re[at] * a + reference.im[at] * b;
      const im = reference.im[at] * a - reference.re[at] * b;
      const size = whiten ? Math.max(Math.hypot(re, im), 1e-300) : 1;
      const f2 = frequency(k, width) ** 2 + frequency(l, height) ** 2;
      const pass = sigma > 0 ? Math.exp(-2 * Math.PI * Math.PI * sigma * sigma * f2) : 1;
      spectrum.re[at] = re / size * pass;
      spectrum.im[at] = im / size * pass;
    }
  }
  if (!whiten || sigma > 0) spectrum.re[0] = spectrum.im[0] = 0;
  const surface: ComplexPlane = { width, height, re: spectrum.re.slice(), im: spectrum.im.slice() };
  transformPlane(surface, true);
  const c = surface.re;
  let sum = 0;
  for (let i = 0; i < n; i++) sum += c[i];
  const mean = sum / n;
  let squares = 0;
  let count = 0;
  for (let y = 0, at = 0; y < height; y++) {
    for (let x = 0; x < width; x++, at++) {
      const share = noise[0][x] * noise[1][y];
      if (share < leastOverlap) {
        c[at] = -Infinity;
        continue;
      }
      c[at] = (c[at] - mean) / Math.sqrt(share);
      squares += c[at] * c[at];
      count++;
    }
  }
  const spread = Math.sqrt(squares / Math.max(1, count)) || 1;
  // a peak stands out of everything within the width of the smoothing
  const reach = Math.ceil(1 + smoothing);
  const wrap = (x: number, size: number) => x > size / 2 ? x - size : x;
  let moved: Peak | null = null;
  let still: Peak = { x: 0, y: 0, height: -Infinity, significance: -Infinity };
  for (let y = 0, at = 0; y < height; y++) {
    for (let x = 0; x < width; x++, at++) {
      const value = c[at];
      const dx = wrap(x, width);
      const dy = wrap(y, height);
      const atZero = dx * dx + dy * dy <= 1.5 * 1.5;
      if (!(value > (atZero ? still.height : moved?.height ?? -Infinity))) continue;
      let top = true;
      for (let j = -reach; j <= reach && top; j++) {
        const row = ((y + j + height) % height) * width;
        for (let i = -reach; i <= reach; i++) {
          if (c[row + (x + i + width) % width] > value) {
            top = false;
            break;
          }
        }
      }
      const peak = { x: dx, y: dy, height: value, significance: value / spread };
      if (atZero) still = peak;
      else if (top) moved = peak;
    }
  }
  // the largest of n independent Gaussian values exceeds this with the chance given
  return { moved, still, needed: Math.sqrt(2 * Math.log(count / falseAlarms)), spectrum };
}

/**
 * Shift between two frames of the same size, from their pixels: correlation by Fourier transform, the peak refined by a
 * matrix transform of its neighbourhood (Guizar-Sicairos, Thurman & Fienup 2008, Opt. Lett. 33, 156).
 *
 * Banding and hot pixels stand still and would win: rows, columns and single pixels are levelled first, and of a peak
 * at no shift and another one that both are more than chance, the other is taken. Rotation and scale are not found.
 * NaN counts as background. Cost: 0.5 s for sides of 1024, memory of six planes of that size in double.
 *
 * @param source the frame to be moved
 * @param reference frame it is moved to, same size
 * @param options window, smoothing, pattern
 * @throws {RangeError} if sizes differ or an option is out of range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { createImage } from "faintlight/extend";
 * import { phaseCorrelate } from "faintlight/geometry";
 *
 * const blob = (cx: number, cy: number) => createImage({
 *   width: 64, height: 64, unit: "adu",
 *   planes: [{ channel: "L", data: Float32Array.from({ length: 4096 }, (_, i) =>
 *     100 * Math.exp(-((i % 64 - cx) ** 2 + (Math.floor(i / 64) - cy) ** 2) / 8)) }],
 * });
 * const { shift } = phaseCorrelate(blob(30, 33), blob(34.5, 31));
 * assert.ok(Math.abs(shift.x - 4.5) < 0.2 && Math.abs(shift.y + 2) < 0.2);
 * ```
 */
export function phaseCorrelate(
  source: Image,
  reference: Image,
  options: Partial<PhaseCorrelateOptions> = {},
): PhaseCorrelation {
  const used = settle("phaseCorrelate", phaseCorrelateDefaults, options);
  const { upsampling, window, whiten, smoothingPixels, removePattern, pattern, flip, maximumSide, falseAlarms } = used;
  requireSameSize("phaseCorrelate", source, reference, ...(pattern === null ? [] : [pattern]));
  if (!(Number.isInteger(upsampling) && upsampling >= 1)) {
    throw new RangeError(`phaseCorrelate: upsampling must be a whole number from 1, but got ${upsampling}`);
  }
  if (!(smoothingPixels >= 0)) {
    throw new RangeError(`phaseCorrelate: smoothingPixels must be ≥ 0, but got ${smoothingPixels}`);
  }
  if (!(maximumSide >= 16)) throw new RangeError(`phaseCorrelate: maximumSide must be ≥ 16, but got ${maximumSide}`);
  if (!(falseAlarms > 0 && falseAlarms < 1)) {
    throw new RangeError(`phaseCorrelate: falseAlarms must lie between 0 and 1, but got ${falseAlarms}`);
  }
  const factor = Math.max(1, Math.ceil(Math.max(source.width, source.height) / maximumSide));
  const ready = (image: Image): ComplexPlane => {
    const grey = greyOf(image, pattern);
    return prepare(binned(removePattern ? level(grey) : grey, factor), window);
  };
  const here = ready(source);
  const there = ready(reference);
  const smoothing = smoothingPixels / factor;
  const columns = Math.floor(source.width / factor);
  const rows = Math.floor(source.height / factor);
  const judge = (turned: boolean) =>
    correlate(here, there, turned, whiten, smoothing, falseAlarms, [
      noiseAlong(window, columns, here.width, turned),
      noiseAlong(window, rows, here.height, turned),
    ]);
  const upright = judge(false);
  const turned = flip ? judge(true) : null;
  const notes: string[] = [];
  const heightOf = (each: Candidates | null) =>
    each === null ? -Infinity : Math.max(each.moved?.significance ?? -Infinity, each.still.significance);
  const flipped = heightOf(turned) > heightOf(upright);
  const { moved, still, needed, spectrum } = flipped ? turned! : upright;
  // upside down no shift is special; upright a second peak that chance does not explain is the sky
  const takeMoved = moved !== null &&
    (flipped ? moved.height > still.height : moved.significance > needed || moved.height > still.height);
  const peak = takeMoved ? moved! : still;
  if (!flipped && takeMoved && still.significance > needed) {
    notes.push("something stands still on the sensor while the sky moves: fixed pattern, left aside");
  }
  let { x, y } = peak;
  for (
    let step = 1, fine = Math.min(10, upsampling);
    step * fine <= upsampling;
    step *= fine, fine = Math.min(10, upsampling / step)
  ) {
    if (fine <= 1) break;
    const count = Math.ceil(1.5 * fine) + 1;
    const grid = 1 / (step * fine);
    const found = upsampled(spectrum, x - grid * (count >> 1), y - grid * (count >> 1), grid, count);
    x = found.x;
    y = found.y;
  }
  if (flipped) {
    // pixel i goes to place x − i, known up to whole turns of the transform: near the last pixel for equal pointings
    x += here.width * Math.round((columns - 1 - x) / here.width);
    y += here.height * Math.round((rows - 1 - y) / here.height);
  }
  // binning keeps the corner of the first pixel: half a binned pixel for each of the two frames, when turned
  x = x * factor + (flipped ? factor - 1 : 0);
  y = y * factor + (flipped ? factor - 1 : 0);
  const trusted = peak.significance > needed;
  if (!trusted) {
    notes.push(`the peak is ${peak.significance.toFixed(1)} sigma high; chance alone reaches ${needed.toFixed(1)}`);
  }
  return {
    transform: { kind: "similarity", matrix: flipped ? [-1, 0, x, 0, -1, y, 0, 0, 1] : [1, 0, x, 0, 1, y, 0, 0, 1] },
    shift: { x, y },
    significance: peak.significance,
    trusted,
    flipped,
    standing: !flipped && Math.hypot(x, y) < 1.5 * factor,
    notes,
  };
}
