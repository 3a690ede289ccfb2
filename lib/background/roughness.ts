/** How rough the surroundings of samples are. */
import type { BackgroundSample } from "./sample_background.ts";

/** Neighbours of each sample, itself included: those within one and a half distances. */
export function neighboursOf(samples: readonly BackgroundSample[], pitch: number): readonly Int32Array[] {
  return samples.map(({ x, y }) =>
    Int32Array.from(
      samples.flatMap((other, j) =>
        Math.abs(other.x - x) < 1.5 * pitch && Math.abs(other.y - y) < 1.5 * pitch ? [j] : []
      ),
    )
  );
}

/**
 * How rough the surroundings of each sample are: scatter about a plane through it and its neighbours, over the samples'
 * error. A sky is smooth at this scale, a nebula hardly ever. NaN with fewer than six neighbours.
 */
export function roughness(
  samples: readonly BackgroundSample[],
  pitch: number,
  value: (sample: BackgroundSample) => number,
  error: number,
): Float64Array {
  return roughnessOf(samples, neighboursOf(samples, pitch), Float64Array.from(samples, value), error);
}

/** The same with the neighbours already known, and values instead of a function. */
export function roughnessOf(
  samples: readonly BackgroundSample[],
  near: readonly Int32Array[],
  z: Float64Array,
  error: number,
): Float64Array {
  return Float64Array.from(near, (list, i) => {
    const n = list.length;
    if (n < 6) return NaN;
    let sx = 0;
    let sy = 0;
    let sz = 0;
    let sxx = 0;
    let sxy = 0;
    let syy = 0;
    let sxz = 0;
    let syz = 0;
    let szz = 0;
    for (const j of list) {
      const x = samples[j].x - samples[i].x;
      const y = samples[j].y - samples[i].y;
      const v = z[j] - z[i];
      sx += x;
      sy += y;
      sz += v;
      sxx += x * x;
      sxy += x * y;
      syy += y * y;
      sxz += x * v;
      syz += y * v;
      szz += v * v;
    }
    const xx = sxx - sx * sx / n;
    const xy = sxy - sx * sy / n;
    const yy = syy - sy * sy / n;
    const xz = sxz - sx * sz / n;
    const yz = syz - sy * sz / n;
    const zz = szz - sz * sz / n;
    const det = xx * yy - xy * xy;
    if (!(det > 0)) return NaN;
    const a = (xz * yy - yz * xy) / det;
    const b = (yz * xx - xz * xy) / det;
    return Math.sqrt(Math.max(0, zz - a * xz - b * yz) / (n - 3)) / error;
  });
}
