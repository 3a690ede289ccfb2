/** The correlation of two spectra: its peaks, what chance makes of them, and their place between pixels. */
import type { Point } from "../core/geometry.ts";
import { type ComplexPlane, transformPlane } from "./fourier.ts";
import { taper, type Window } from "./prepare_spectrum.ts";

/** FWHM over sigma to five digits: shifts are measured with it, and `fwhmPerSigma` would move their last digits. */
const shortFwhmPerSigma = 2.3548;

/** Frequency of line k of a transform of n samples, cycles a sample. */
const frequency = (k: number, n: number): number => (k <= n / 2 ? k : k - n) / n;

/**
 * Variance that noise gives the correlation at each shift along one axis, mean 1: the tapers overlap less and less, so
 * a peak far out is worth more than one of the same height near no shift.
 */
export function noiseAlong(window: Window, size: number, padded: number, flipped: boolean): Float64Array {
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
const minimumOverlap = 0.1;

/** A maximum of the correlation. */
export interface Peak {
  /** Shift, columns. */
  readonly x: number;
  /** Shift, rows. */
  readonly y: number;
  /** Value there. */
  readonly height: number;
  /** Value over the spread of the correlation elsewhere. */
  readonly significance: number;
}

/** The best peaks of a correlation. */
export interface Correlation {
  /** The highest away from no shift; null when there is none. */
  readonly moved: Peak | null;
  /** The highest at no shift. */
  readonly still: Peak;
  /** Significance that chance alone reaches with the chance allowed. */
  readonly needed: number;
  /** The cross spectrum, for the search between pixels. */
  readonly spectrum: ComplexPlane;
}

/** How two spectra are compared. */
export interface CorrelationRules {
  /** Whether all frequencies count alike. */
  readonly whiten: boolean;
  /** Width of the smoothing, FWHM in pixels; 0 for none. */
  readonly smoothing: number;
  /** Expected number of chance peaks. */
  readonly falseAlarms: number;
  /** Whether the frame is turned by half a turn. */
  readonly flipped: boolean;
  /** Variance of the correlation along x and y, see {@linkcode noiseAlong}. */
  readonly noise: readonly [Float64Array, Float64Array];
}

function crossSpectrum(source: ComplexPlane, reference: ComplexPlane, rules: CorrelationRules): ComplexPlane {
  const { whiten, smoothing, flipped } = rules;
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
  return spectrum;
}

/**
 * Bring the correlation to equal noise at every shift, in place; −Infinity where the frames overlap too little.
 *
 * @returns its spread, and the shifts that count
 */
function equaliseNoise(
  c: Float64Array,
  width: number,
  height: number,
  noise: CorrelationRules["noise"],
): { readonly spread: number; readonly count: number } {
  let sum = 0;
  for (let i = 0; i < c.length; i++) sum += c[i];
  const mean = sum / c.length;
  let squares = 0;
  let count = 0;
  for (let y = 0, at = 0; y < height; y++) {
    for (let x = 0; x < width; x++, at++) {
      const share = noise[0][x] * noise[1][y];
      if (share < minimumOverlap) {
        c[at] = -Infinity;
        continue;
      }
      c[at] = (c[at] - mean) / Math.sqrt(share);
      squares += c[at] * c[at];
      count++;
    }
  }
  return { spread: Math.sqrt(squares / Math.max(1, count)) || 1, count };
}

/** Whether no value within `reach` of a place, wrapped round the borders, is higher. */
function isTop(surface: ComplexPlane, x: number, y: number, reach: number): boolean {
  const { width, height, re } = surface;
  const value = re[y * width + x];
  for (let j = -reach; j <= reach; j++) {
    const row = ((y + j + height) % height) * width;
    for (let i = -reach; i <= reach; i++) if (re[row + (x + i + width) % width] > value) return false;
  }
  return true;
}

/** Shifts up to this count as none, pixels. */
const stillPixels = 1.5;

/** Correlate two spectra and find the best peaks. */
export function correlate(source: ComplexPlane, reference: ComplexPlane, rules: CorrelationRules): Correlation {
  const { smoothing, falseAlarms, noise } = rules;
  const spectrum = crossSpectrum(source, reference, rules);
  const { width, height } = spectrum;
  const surface: ComplexPlane = { width, height, re: spectrum.re.slice(), im: spectrum.im.slice() };
  transformPlane(surface, true);
  const c = surface.re;
  const { spread, count } = equaliseNoise(c, width, height, noise);
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
      const atZero = dx * dx + dy * dy <= stillPixels * stillPixels;
      if (!(value > (atZero ? still.height : moved?.height ?? -Infinity))) continue;
      const peak = { x: dx, y: dy, height: value, significance: value / spread };
      if (atZero) still = peak;
      else if (isTop(surface, x, y, reach)) moved = peak;
    }
  }
  // the largest of n independent Gaussian values exceeds this with the chance given
  return { moved, still, needed: Math.sqrt(2 * Math.log(count / falseAlarms)), spectrum };
}

/**
 * The highest of `count` × `count` values of the correlation between pixels, from the cross spectrum: the matrix
 * transform of Guizar-Sicairos et al.
 */
function upsampled(spectrum: ComplexPlane, x0: number, y0: number, step: number, count: number): Point {
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
  let best: Point = { x: x0, y: y0 };
  let highest = -Infinity;
  for (let j = 0; j < count; j++) {
    const y = y0 + j * step;
    for (let i = 0; i < count; i++) {
      let sum = 0;
      for (let l = 0; l < height; l++) {
        const phase = 2 * Math.PI * frequency(l, height) * y;
        sum += partRe[l * count + i] * Math.cos(phase) - partIm[l * count + i] * Math.sin(phase);
      }
      if (sum > highest) {
        highest = sum;
        best = { x: x0 + i * step, y };
      }
    }
  }
  return best;
}

/** Where the peak lies between pixels, to 1 / `upsampling`: ten times finer from search to search. */
export function refinePeak(spectrum: ComplexPlane, peak: Point, upsampling: number): Point {
  let { x, y } = peak;
  for (
    let step = 1, fine = Math.min(10, upsampling);
    step * fine <= upsampling;
    step *= fine, fine = Math.min(10, upsampling / step)
  ) {
    if (fine <= 1) break;
    const count = Math.ceil(1.5 * fine) + 1;
    const grid = 1 / (step * fine);
    ({ x, y } = upsampled(spectrum, x - grid * (count >> 1), y - grid * (count >> 1), grid, count));
  }
  return { x, y };
}
