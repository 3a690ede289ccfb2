/** Weighted means of the samples that the verdicts of a strip leave. */
import { kernelKind, withKernel } from "./machine.ts";
import { type Strip, verdict } from "./rejection.ts";

/** What {@linkcode sumKept} finds, one value a pixel. */
export interface Sums {
  /** Weighted mean of the kept samples; NaN without any. */
  readonly mean: Float32Array;
  /** Sum of their weights. */
  readonly weight: Float32Array;
  /** The mean over the first, third … frame. */
  readonly halfA: Float32Array;
  /** The mean over the second, fourth … frame. */
  readonly halfB: Float32Array;
  /** Variance of the mean from the scatter of its samples, NaN for fewer than two. */
  readonly variance: Float32Array;
  /** Kept samples. */
  readonly kept: Int32Array;
  /** Samples left out below the others. */
  readonly dimmer: Int32Array;
  /** Samples left out above the others. */
  readonly brighter: Int32Array;
}

/** Memory for the sums of a tile of at most `pixels` pixels: 5 and 3 values a pixel. */
export interface SumsMemory {
  /** 5 × pixels samples, pixels rounded up to 4. */
  readonly values: Float32Array;
  /** 3 × pixels samples. */
  readonly counts: Float32Array;
}

/**
 * Weighted means of the kept samples, their variance and their number. Sums in float64 about the first sample of each
 * pixel that has data, so that squares are small; the variance is Σw²(x − mean)² / (Σw)² · n / (n − 1).
 *
 * @param weights weight of each frame
 * @param memory receives the results; of its own, it is used in place
 */
export function sumKept(strip: Strip, verdicts: Uint8Array, weights: Float64Array, memory: SumsMemory): Sums {
  const { samples, frames, stride, count } = strip;
  const plane = (count + 3) & ~3;
  const values = memory.values.subarray(0, 5 * plane);
  const counts = memory.counts.subarray(0, 3 * plane);
  const part = (k: number) => values.subarray(k * plane, k * plane + count);
  const whole = (k: number) => new Int32Array(counts.buffer, counts.byteOffset + 4 * k * plane, count);
  const sums: Sums = {
    mean: part(0),
    weight: part(1),
    halfA: part(2),
    halfB: part(3),
    variance: part(4),
    kept: whole(0),
    dimmer: whole(1),
    brighter: whole(2),
  };
  const fits = stride % 4 === 0 && stride >= plane && samples.length >= (frames - 1) * stride + plane &&
    verdicts.length >= (frames - 1) * stride + plane;
  if (!fits || kernelKind() === "twin") {
    sumTwin(strip, verdicts, weights, sums);
    return sums;
  }
  const table = new Float32Array(weights.buffer, weights.byteOffset, 2 * frames);
  withKernel("sumKept", { a: samples, b: verdicts, o: values, p: counts }, table, (kernel, at) => {
    kernel(at.a, frames, 4 * stride, count, at.b, at.scratch, at.o, at.p, 4 * plane);
  });
  return sums;
}

/** What the kernel sumKept computes, in the same operations. */
function sumTwin(strip: Strip, verdicts: Uint8Array, weights: Float64Array, sums: Sums): void {
  const { samples, frames, stride, count } = strip;
  for (let p = 0; p < count; p++) {
    let pivot = NaN;
    let kept = 0;
    let dimmer = 0;
    let brighter = 0;
    let va = 0;
    let vb = 0;
    let wa = 0;
    let wb = 0;
    let w2 = 0;
    let v2 = 0;
    let q2 = 0;
    for (let f = 0; f < frames && pivot !== pivot; f++) pivot = samples[f * stride + p];
    if (pivot !== pivot) pivot = 0;
    for (let f = 0; f < frames; f++) {
      const v = verdicts[f * stride + p];
      if (v !== verdict.keep) {
        if (v === verdict.dimmer) dimmer++;
        else if (v === verdict.brighter) brighter++;
        continue;
      }
      const w = weights[f];
      const d = samples[f * stride + p] - pivot;
      const square = w * w;
      const part = square * d;
      kept++;
      if (f % 2 === 0) {
        va += w * d;
        wa += w;
      } else {
        vb += w * d;
        wb += w;
      }
      w2 += square;
      v2 += part;
      q2 += part * d;
    }
    const weight = wa + wb;
    const shift = (va + vb) / weight;
    const scatter = q2 - 2 * shift * v2 + shift * shift * w2;
    sums.mean[p] = pivot + shift;
    sums.weight[p] = weight;
    sums.halfA[p] = pivot + va / wa;
    sums.halfB[p] = pivot + vb / wb;
    sums.variance[p] = kept < 2 ? NaN : Math.max(0, scatter) / (weight * weight) * kept / (kept - 1);
    sums.kept[p] = kept;
    sums.dimmer[p] = dimmer;
    sums.brighter[p] = brighter;
  }
}
