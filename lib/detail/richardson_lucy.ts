/** Richardson–Lucy iterations (Richardson 1972, JOSA 62, 55; Lucy 1974, AJ 79, 745) with multiresolution support. */
import { borrowPlane, returnPlane } from "../core/memory.ts";
import type { Raster } from "../core/raster.ts";
import { type Band, openBand, overBands } from "../kernels/bands.ts";
import { convolvePlane, type PointSpread } from "../kernels/convolve.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { multiplyPlanes, subtractPlanes } from "./plane_arithmetic.ts";
import { type JudgingDetails, significantDetails } from "./significant_details.ts";

/** A point-spread function from weights at whole offsets: `weightAt` is asked once for each pair of opposite ones. */
export function pointSpread(radius: number, weightAt: (x: number, y: number) => number): PointSpread {
  const x: number[] = [];
  const y: number[] = [];
  const weights: number[] = [];
  const centre = weightAt(0, 0);
  let sum = centre;
  for (let dy = 0; dy <= radius; dy++) {
    for (let dx = dy === 0 ? 1 : -radius; dx <= radius; dx++) {
      const weight = weightAt(dx, dy);
      if (!(weight > 0)) continue;
      x.push(dx);
      y.push(dy);
      weights.push(weight);
      sum += 2 * weight;
    }
  }
  return {
    radius,
    middle: centre / sum,
    x: Int32Array.from(x),
    y: Int32Array.from(y),
    weights: Float32Array.from(weights, (weight) => weight / sum),
  };
}

/**
 * Rows of the ratio y / H u that an iteration multiplies by: from y and H u; or, with the parts of the significant
 * residual, from H u and both.
 */
export function ratioRows(band: Band<{ readonly width: number }>): void {
  const { from, to, parameters: { width } } = band;
  const { read, write: [out] } = openBand(band);
  const [a, b, c] = read as [Float32Array, Float32Array, Float32Array | null];
  if (c === null) { for (let i = from * width; i < to * width; i++) out[i] = a[i] / b[i]; }
  else {
    for (let i = from * width; i < to * width; i++) {
      const ratio = 1 + (b[i] + c[i]) / a[i];
      out[i] = ratio > 0 ? ratio : 0;
    }
  }
}

const ratioTask: PoolTask<Band<{ readonly width: number }>, void> = {
  module: import.meta.url,
  name: "ratioRows",
  run: ratioRows,
};

/** The support of the iterations: where and at which scales a residual counts. */
export interface Support {
  /** Details of what was seen, and their noise. */
  readonly judges: JudgingDetails;
  /** Standard deviations from which what was seen stands out of its noise. */
  readonly threshold: number;
}

/**
 * Iterations of Richardson and Lucy: u ← u · H(y / H u), H the convolution with the point-spread function, which is its
 * own adjoint here. With a support the residual y − H u counts only at scales and places where y itself stands out of
 * its noise: y becomes H u + significant(y − H u) (Murtagh, Starck & Bijaoui 1995).
 *
 * @param seen samples y above 0, without gaps
 * @returns u, on a borrowed plane
 */
export function restorePlane(
  seen: Raster,
  psf: PointSpread,
  iterations: number,
  support: Support | null = null,
): Float32Array {
  const { data, width, height } = seen;
  const size = width * height;
  const restored = borrowPlane(size);
  const blurred = borrowPlane(size);
  const ratio = borrowPlane(size);
  restored.set(data);
  for (let iteration = 0; iteration < iterations; iteration++) {
    convolvePlane(restored, width, height, psf, blurred);
    if (support === null) overBands(ratioTask, height, width, [data, blurred, null], [ratio], { width });
    else {
      const { judges, threshold } = support;
      subtractPlanes(seen, data, blurred, ratio);
      const settings = { scales: judges.scales.length, threshold, grain: 0 };
      const { details, rest } = significantDetails({ data: ratio, width, height }, settings, judges);
      overBands(ratioTask, height, width, [blurred, details, rest], [ratio], { width });
      returnPlane(details);
      returnPlane(rest);
    }
    convolvePlane(ratio, width, height, psf, blurred);
    multiplyPlanes(seen, restored, blurred, restored);
  }
  returnPlane(blurred);
  returnPlane(ratio);
  return restored;
}
