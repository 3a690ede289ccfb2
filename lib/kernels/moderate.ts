/**
 * Outlier test of stacks whose noise is known: Huber's Proposal 2 (Huber 1981, chapter 6; corner 1.5) with a variance
 * moderated by the known one (Smyth 2004), and verdicts about it. Twins and kernels do the same float32 operations in
 * the same order.
 */
import { kernelKind, withKernel } from "./machine.ts";
import { keepNearest, leastKept, type Strip, verdict } from "./rejection.ts";

/** What is known of the noise of one plane of a stack. */
export interface KnownNoise {
  /** Variance of a sample of sky at each pixel, for a frame of ratio 1; null where the samples alone shall tell. */
  readonly base: Float32Array | null;
  /** Level of that sky at each pixel; null with base. */
  readonly level: Float32Array | null;
  /** Variance a unit of light above the level. */
  readonly perUnit: number;
  /** Degrees of freedom that the known variance counts for. */
  readonly prior: number;
  /** Noise of each frame relative to the others'. */
  readonly ratios: Float32Array;
}

/** Centre, limit and error of each pixel, planes behind one another with room for whole groups of 8. */
export interface Centres {
  /** 3 × plane samples. */
  readonly data: Float32Array;
  /** Samples from one to the next: centre, limit · scale, error of the centre. */
  readonly plane: number;
}

/** Pixels rounded up to whole groups. */
export const groupedPixels = (count: number): number => (count + 7) & ~7;

/** Whether the kernels may read and write whole groups of 8 pixels of a strip. */
function whole({ samples, frames, stride, count }: Strip): boolean {
  const padded = groupedPixels(count);
  return stride % 8 === 0 && stride >= padded && samples.length >= (frames - 1) * stride + padded;
}

/**
 * Centre and scale of each pixel until a round moves them by less than 0.5 % of the scale, and so leaves an error of
 * some 0.05 %; without known noise 0.05 %:
 *
 *     u = (x − m) / ratio, held to ± 1.5 s;   m from Σ u / ratio = 0
 *     s² = (Σ u² / 0.7785 + prior · known) / (n − 1 + prior),   known = base + perUnit · max(0, m − level)
 *
 * @param limits limit in units of s by number of samples; Infinity leaves a pixel alone
 * @param data receives 3 planes of {@linkcode groupedPixels} samples
 */
export function moderatedCentres(strip: Strip, noise: KnownNoise, limits: Float32Array, data: Float32Array): Centres {
  const { frames, stride, count } = strip;
  const plane = groupedPixels(count);
  const { base, level, perUnit, ratios } = noise;
  const prior = base === null ? 0 : noise.prior;
  const inverse = ratios.map((each) => 1 / each);
  const held = { data: data.subarray(0, 3 * plane), plane };
  if (whole(strip) && kernelKind() === "wasm") {
    const table = new Float32Array(frames + limits.length);
    table.set(inverse);
    table.set(limits, frames);
    // Without known noise B and C are read, too, but count for nothing.
    const b = (base ?? strip.samples).subarray(0, plane);
    const c = (level ?? strip.samples).subarray(0, plane);
    withKernel("moderated", { a: strip.samples, b, c, o: held.data }, table, (kernel, at) => {
      const limitsAt = at.scratch + 4 * frames;
      kernel(at.a, frames, 4 * stride, count, at.b, at.c, at.scratch, limitsAt, perUnit, prior, at.o, 4 * plane);
    });
  } else centresTwin(strip, noise, prior, inverse, limits, held);
  return held;
}

/** What the kernel moderated computes. */
function centresTwin(
  strip: Strip,
  { base, level, perUnit }: KnownNoise,
  prior: number,
  inverse: Float32Array,
  limits: Float32Array,
  { data, plane }: Centres,
): void {
  const { samples, frames, stride, count } = strip;
  const f = Math.fround;
  const unit = f(perUnit);
  const consistency = f(0.7784652161);
  const middle = (frames >> 1) * stride;
  const last = (frames - 1) * stride;
  const trust = prior > 0;
  for (let p = 0; p < count; p++) {
    const x = samples[p];
    const y = samples[p + middle];
    const z = samples[p + last];
    let c = Math.max(Math.min(x, y), Math.min(Math.max(x, y), z));
    for (let k = 0; k < frames && c !== c; k++) c = samples[k * stride + p];
    if (c !== c) c = 0;
    let n = 0;
    let w = 0;
    let sum = 0;
    let square = 0;
    for (let k = 0; k < frames; k++) {
      const v = inverse[k];
      const d = f(f(samples[k * stride + p] - c) * v);
      if (d !== d) continue;
      n++;
      w = f(w + f(v * v));
      sum = f(sum + f(d * v));
      square = f(square + f(d * d));
    }
    w = Math.max(f(1e-30), w);
    const free = Math.max(1, f(n - 1 + prior));
    const known = (centre: number): number => {
      const b = (base as Float32Array)[p];
      const more = f(b + f(unit * f(centre - (level as Float32Array)[p])));
      return b < more ? more : b;
    };
    let m = trust ? 0 : f(sum / w);
    let s = trust ? f(Math.sqrt(known(c))) : f(Math.sqrt(f(Math.max(0, f(square - f(w * f(m * m)))) / free)));
    for (let round = 0, done = s === 0; round < 60 && !done; round++) {
      const high = f(1.5 * s);
      const low = -high;
      const centre = f(c + m);
      sum = 0;
      square = 0;
      for (let k = 0; k < frames; k++) {
        const v = inverse[k];
        const d = f(f(samples[k * stride + p] - centre) * v);
        if (d !== d) continue;
        const t = d > high ? high : d < low ? low : d;
        sum = f(sum + f(t * v));
        square = f(square + f(t * t));
      }
      const step = f(sum / w);
      const own = f(Math.max(0, f(square - f(w * f(step * step)))) / consistency);
      const next = f(Math.sqrt(f(f(own + (trust ? f(prior * known(centre)) : 0)) / free)));
      const near = f(f(trust ? 5e-3 : 5e-4) * next);
      done = (Math.abs(step) <= near && Math.abs(f(next - s)) <= near) || next === 0;
      m = f(m + f(f(1.15) * step));
      s = next;
    }
    data[p] = f(c + m);
    data[plane + p] = limits[n] === Infinity ? Infinity : f(limits[n] * s);
    data[2 * plane + p] = f(s / f(Math.sqrt(w)));
  }
}

/**
 * Verdicts on all samples: out are those farther from the centre than limit · scale · ratio of the frame + tolerance.
 * A pixel that would keep too few keeps those nearest to its centre.
 *
 * @param tolerance one a pixel, with room for whole groups of 8
 * @param verdicts receives frames × stride verdicts
 */
export function moderatedVerdicts(
  strip: Strip,
  centres: Centres,
  tolerance: Float32Array,
  ratios: Float32Array,
  verdicts: Uint8Array,
): void {
  const { samples, frames, stride, count } = strip;
  const { data, plane } = centres;
  const f = Math.fround;
  const few = new Float32Array(plane);
  if (whole(strip) && kernelKind() === "wasm" && verdicts.length >= (frames - 1) * stride + plane) {
    const arrays = { a: samples, b: data, c: tolerance.subarray(0, plane), o: verdicts, p: few };
    withKernel("verdicts", arrays, ratios, (kernel, at) => {
      kernel(at.a, frames, 4 * stride, count, at.b, 4 * plane, at.c, at.scratch, at.o, at.p);
    });
  } else {
    for (let p = 0; p < count; p++) {
      const m = data[p];
      const reach = data[plane + p];
      const slack = f(tolerance[p] + f(Math.abs(m) * f(6e-8)));
      let n = 0;
      let kept = 0;
      for (let k = 0; k < frames; k++) {
        const most = f(f(reach * ratios[k]) + slack);
        const d = f(samples[k * stride + p] - m);
        const v = d < -most ? verdict.dimmer : d > most ? verdict.brighter : d === d ? verdict.keep : verdict.missing;
        verdicts[k * stride + p] = v;
        if (v !== verdict.missing) n++;
        if (v === verdict.keep) kept++;
      }
      few[p] = kept < leastKept(n) ? m : NaN;
    }
  }
  for (let p = 0; p < count; p++) {
    if (few[p] !== few[p]) continue;
    let n = 0;
    for (let k = 0; k < frames; k++) if (samples[k * stride + p] === samples[k * stride + p]) n++;
    keepNearest(strip, p, few[p], leastKept(n), verdicts);
  }
}
