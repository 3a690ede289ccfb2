/**
 * Which samples of a pixel to leave out when frames are combined. A strip holds the samples of one tile, frame behind
 * frame: sample of frame f at pixel p is samples[f · stride + p]; NaN means the frame has no data there. Every rule
 * writes one verdict a sample, and each pixel is judged from its own samples alone, so that neither the size of a tile
 * nor the order of the pixels changes anything.
 */

import { kernelKind, withKernel } from "./machine.ts";

/** Verdicts on a sample. */
export const verdict: Readonly<Record<"keep" | "dimmer" | "brighter" | "missing", number>> = Object.freeze({
  /** Goes into the mean. */
  keep: 0,
  /** Left out, below the others. */
  dimmer: 1,
  /** Left out, above the others. */
  brighter: 2,
  /** No data. */
  missing: 3,
});

/** Samples of one tile, frame behind frame. */
export interface Strip {
  /** frames × stride samples. */
  readonly samples: Float32Array;
  /** Number of frames. */
  readonly frames: number;
  /** Samples from one frame to the next, at least `count`. */
  readonly stride: number;
  /** Pixels of the tile. */
  readonly count: number;
}

/**
 * Fewest samples that must stay of n: half of them, and three of four or more. Of three, two may outvote the third,
 * because so few are judged by the noise of the sensor and not by their own scatter.
 */
export const leastKept = (n: number): number => n < 4 ? Math.ceil(n / 2) : Math.max(3, Math.ceil(n / 2));

/** Huber's corner: deviations beyond this many sigma are clamped (Huber 1964 recommends 1 to 2; 1.5 is his example). */
export const huberCorner: number = 1.5;

/**
 * Huber's Proposal 2 (Huber 1981, chapter 6) as an outlier test: location m and scale s of each pixel by clamping at
 * m ± 1.5 s until they stand still (to 0.05 % of s), then |x − m| > limit · s is left out.
 *
 * Arithmetic is float32 about the median of three samples, in the kernel and in its twin alike: verdicts need no more.
 *
 * @param strip the samples
 * @param limits limit in units of s by number of samples n, index n = 0 … frames; pixels with limits[n] = 0 are left to
 * another rule
 * @param floor smallest scale to believe, in the unit of the samples (rounding of integer data)
 * @param verdicts receives frames × stride verdicts; pixels left to another rule get `keep` or `missing`
 */
export function huberVerdicts(strip: Strip, limits: Float64Array, floor: number, verdicts: Uint8Array): void {
  const { samples, frames, stride, count } = strip;
  const padded = (count + 7) & ~7;
  const most = Float32Array.from(limits);
  // Location of pixels that would keep too few samples, else NaN.
  const centres = new Float32Array(padded);
  const whole = stride % 8 === 0 && stride >= padded && samples.length >= (frames - 1) * stride + padded &&
    verdicts.length >= (frames - 1) * stride + padded;
  if (whole && kernelKind() === "wasm") {
    withKernel("huberTest", { a: samples, o: verdicts, p: centres }, most, (run, at) => {
      run(at.a, frames, stride * 4, count, at.scratch, floor, at.o, at.p);
    });
  } else huberTwin(strip, most, floor, verdicts, centres);
  for (let p = 0; p < count; p++) {
    if (centres[p] !== centres[p]) continue;
    let n = 0;
    for (let f = 0; f < frames; f++) if (samples[f * stride + p] === samples[f * stride + p]) n++;
    keepNearest(strip, p, centres[p], leastKept(n), verdicts);
  }
}

/** What the kernel huberTest computes, in the same float32 operations, pixel by pixel. */
function huberTwin(
  strip: Strip,
  limits: Float32Array,
  floor: number,
  verdicts: Uint8Array,
  centres: Float32Array,
): void {
  const { samples, frames, stride, count } = strip;
  const f = Math.fround;
  const least = f(floor);
  const consistency = f(0.7784652161);
  const column = new Float32Array(frames);
  const middle = (frames >> 1) * stride;
  const last = (frames - 1) * stride;
  for (let p = 0; p < count; p++) {
    const x = samples[p];
    const y = samples[p + middle];
    const z = samples[p + last];
    // Math.min and Math.max of NaN are NaN, as in the kernel; then the first sample there is.
    let c = Math.max(Math.min(x, y), Math.min(Math.max(x, y), z));
    for (let k = 0; k < frames && c !== c; k++) c = samples[k * stride + p];
    if (c !== c) c = 0;
    let n = 0;
    let sum = 0;
    let square = 0;
    for (let k = 0; k < frames; k++) {
      const d = f(samples[k * stride + p] - c);
      column[k] = d;
      if (d === d) {
        n++;
        sum = f(sum + d);
      }
    }
    const some = Math.max(1, n);
    const free = Math.max(1, n - 1);
    const limit = limits[n];
    let m = f(sum / some);
    for (let k = 0; k < frames; k++) {
      const d = f(column[k] - m);
      if (d === d) square = f(square + f(d * d));
    }
    let s = Math.max(least, f(Math.sqrt(f(square / free))));
    for (let round = 0, done = limit === 0 || s === 0; round < 60 && !done; round++) {
      const high = f(huberCorner * s);
      const low = -high;
      sum = 0;
      square = 0;
      for (let k = 0; k < frames; k++) {
        let d = f(column[k] - m);
        if (d !== d) continue;
        d = d > high ? high : d < low ? low : d;
        sum = f(sum + d);
        square = f(square + f(d * d));
      }
      const step = f(sum / some);
      const spread = Math.max(0, f(square - f(n * f(step * step))));
      const next = Math.max(least, f(Math.sqrt(f(f(spread / free) / consistency))));
      const near = f(f(5e-4) * next);
      done = (Math.abs(step) <= near && Math.abs(f(next - s)) <= near) || next === 0;
      m = f(m + step);
      s = next;
    }
    // A float32 step of slack: equal samples must not be told apart by rounding.
    const centre = f(c + m);
    const reach = limit === 0 ? Infinity : f(f(limit * s) + f(Math.abs(centre) * f(6e-8)));
    const low = f(m - reach);
    const high = f(m + reach);
    let kept = 0;
    for (let k = 0; k < frames; k++) {
      const d = column[k];
      const v = d < low ? verdict.dimmer : d > high ? verdict.brighter : d === d ? verdict.keep : verdict.missing;
      verdicts[k * stride + p] = v;
      if (v === verdict.keep) kept++;
    }
    centres[p] = kept < leastKept(n) ? centre : NaN;
  }
}

/** Keep at least `least` samples of one pixel: those nearest to the centre, ties included. */
export function keepNearest(strip: Strip, p: number, centre: number, least: number, verdicts: Uint8Array): void {
  const { samples, frames, stride } = strip;
  const distances: number[] = [];
  for (let f = 0; f < frames; f++) {
    const x = samples[f * stride + p];
    if (x === x) distances.push(Math.abs(x - centre));
  }
  distances.sort((a, b) => a - b);
  const reach = distances[least - 1];
  for (let f = 0; f < frames; f++) {
    const at = f * stride + p;
    const x = samples[at];
    if (Math.abs(x - centre) <= reach) verdicts[at] = verdict.keep;
  }
}

/** What the sensor and the air do to a sample, frame by frame, in the unit of the strip. */
export interface NoiseModel {
  /** Variance of the sky in each frame. */
  readonly skyVariance: Float64Array;
  /** Variance added for each unit of light above the sky: scale / electronsPerAdu of the frame. */
  readonly perUnit: Float64Array;
  /** Level of the sky that `skyVariance` holds for. */
  readonly sky: number;
  /** Share by which the light of a star's core changes from frame to frame with seeing and guiding. */
  readonly seeing: number;
}

/**
 * The sensor-noise test, for too few samples to judge their scatter: a sample is left out when it differs from the
 * median by more than `limit` times what the noise model allows for that level. Of two samples that differ by more
 * than `pairLimit` times the noise of their difference the brighter is left out, because what comes and goes in the
 * sky is bright. A model without noise says nothing and leaves nothing out.
 *
 * @param strip the samples
 * @param model noise of each frame
 * @param limit in sigma
 * @param pairLimit in sigma of the difference of two samples
 * @param most pixels with more samples than this are left alone
 * @param verdicts receives the verdicts of the pixels it judges
 */
export function noiseVerdicts(
  strip: Strip,
  model: NoiseModel,
  limit: number,
  pairLimit: number,
  most: number,
  verdicts: Uint8Array,
): void {
  const { samples, frames, stride, count } = strip;
  const values = new Float64Array(frames);
  const which = new Int32Array(frames);
  const { sky, seeing, skyVariance, perUnit } = model;
  let leastSky = Infinity;
  let leastUnit = Infinity;
  for (let f = 0; f < frames; f++) {
    leastSky = Math.min(leastSky, skyVariance[f]);
    leastUnit = Math.min(leastUnit, perUnit[f]);
  }
  for (let p = 0; p < count; p++) {
    let n = 0;
    if (frames > most) {
      for (let f = 0; f < frames && n <= most; f++) if (samples[f * stride + p] === samples[f * stride + p]) n++;
      if (n > most) continue;
      n = 0;
    }
    for (let f = 0; f < frames; f++) {
      const x = samples[f * stride + p];
      verdicts[f * stride + p] = x === x ? verdict.keep : verdict.missing;
      if (x === x) {
        // Insertion keeps the few values sorted.
        let k = n++;
        for (; k > 0 && values[k - 1] > x; k--) {
          values[k] = values[k - 1];
          which[k] = which[k - 1];
        }
        values[k] = x;
        which[k] = f;
      }
    }
    if (n < 2) continue;
    const half = n >> 1;
    const centre = n === 2 ? values[0] : n % 2 === 1 ? values[half] : (values[half - 1] + values[half]) / 2;
    const light = Math.max(0, centre - sky);
    const air = seeing * light;
    // Most pixels lie within what even the frame of the least noise allows.
    const far = n === 2 ? values[1] - values[0] : Math.max(values[n - 1] - centre, centre - values[0]);
    const reach = n === 2 ? pairLimit : limit;
    const least = leastSky + leastUnit * light + air * air;
    if (far * far <= reach * reach * least) continue;
    const variance = (f: number) => skyVariance[f] + perUnit[f] * light + air * air;
    let last = 0;
    if (n === 2) {
      const allowed = pairLimit * Math.sqrt(variance(which[0]) + variance(which[1]));
      if (allowed > 0 && values[1] - values[0] > allowed) verdicts[which[1] * stride + p] = verdict.brighter;
      continue;
    }
    for (let k = 0; k < n; k++) {
      const d = values[k] - centre;
      const allowed = limit * Math.sqrt(variance(which[k]));
      if (!(allowed > 0 && Math.abs(d) > allowed)) continue;
      verdicts[which[k] * stride + p] = d < 0 ? verdict.dimmer : verdict.brighter;
      last++;
    }
    if (n - last < leastKept(n)) keepNearest(strip, p, centre, leastKept(n), verdicts);
  }
}

/**
 * Close trails: in each frame a kept sample with at least `least` of its 8 neighbours left out as brighter is left out
 * as well, which takes the faint edge of a satellite's or a cosmic ray's trail. A pixel that would keep too few
 * samples is left as it was, for all frames.
 *
 * @param width columns of the tile; the tile has count / width rows
 * @returns number of samples left out in addition
 */
export function closeTrails(strip: Strip, width: number, least: number, verdicts: Uint8Array): number {
  const { frames, stride, count } = strip;
  const height = count / width;
  const faint = 4;
  const found: number[] = [];
  for (let f = 0; f < frames; f++) {
    const base = f * stride;
    for (let p = verdicts.indexOf(verdict.brighter, base) - base; p >= 0 && p < count;) {
      // Neighbours of a bright sample are the only candidates.
      const x = p % width;
      const y = (p - x) / width;
      for (let j = Math.max(0, y - 1); j <= Math.min(height - 1, y + 1); j++) {
        for (let i = Math.max(0, x - 1); i <= Math.min(width - 1, x + 1); i++) {
          const q = j * width + i;
          if (verdicts[base + q] !== verdict.keep) continue;
          let bright = 0;
          for (let b = Math.max(0, j - 1); b <= Math.min(height - 1, j + 1); b++) {
            for (let a = Math.max(0, i - 1); a <= Math.min(width - 1, i + 1); a++) {
              if (verdicts[base + b * width + a] === verdict.brighter) bright++;
            }
          }
          if (bright >= least) {
            verdicts[base + q] = faint;
            found.push(base + q);
          }
        }
      }
      p = verdicts.indexOf(verdict.brighter, base + p + 1) - base;
    }
  }
  const kept = new Map<number, boolean>();
  let total = 0;
  for (const at of found) {
    const p = at % stride;
    let enough = kept.get(p);
    if (enough === undefined) {
      let n = 0;
      let staying = 0;
      for (let f = 0; f < frames; f++) {
        const v = verdicts[f * stride + p];
        if (v !== verdict.missing) n++;
        if (v === verdict.keep) staying++;
      }
      enough = staying >= leastKept(n);
      kept.set(p, enough);
    }
    verdicts[at] = enough ? verdict.brighter : verdict.keep;
    if (enough) total++;
  }
  return total;
}
