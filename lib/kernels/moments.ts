/** Gaussian-weighted moments of stars, many at a call. */
import { kernelKind, scratchFloats, withKernel } from "./machine.ts";
import { momentsTwin } from "./detection.twin.ts";

/** Doubles an entry of the list of {@linkcode measureMoments} takes. */
export const momentFields = 32;

/** Where in an entry what stands. */
export const momentAt = Object.freeze(
  {
    /** 0: one pass. 1: centre, the weight held. 2: adapt centre and ellipse. */
    task: 0,
    /** Centre, column; the start and then the result. */
    x: 1,
    /** Centre, row. */
    y: 2,
    /** Moments of the star, pixels²: variance along x; the start and then the result. */
    xx: 3,
    /** Covariance. */
    xy: 4,
    /** Variance along y. */
    yy: 5,
    /** Taken off each sample. */
    background: 6,
    /** Furthest the centre may wander, pixels. */
    reach: 7,
    /** Step below which centring ends, pixels. */
    tolerance: 8,
    /** Least Σ w I over √Σ w²; below it the work ends at once. */
    floor: 9,
    /** Least variance along the short axis. */
    least: 10,
    /** Most variance along the long axis. */
    most: 11,
    /** Most passes. */
    rounds: 12,
    /** Out: 1 if it came to an end, 0 if it wandered off, ran out of bounds or has no light. */
    good: 13,
    /** Out: Σ w I. */
    sum: 14,
    /** Out: Σ w² over the pixels that count. */
    weight2: 15,
    /** Out: Σ w² I, for the noise of the star's own light. */
    light2: 16,
    /** Out: highest sample under the weight, above the background. */
    peak: 17,
    /** Out: share of the weight that lies on pixels of the plane that are known. */
    covered: 18,
    /** Out: moments of the weight. */
    weightXx: 19,
    /** Out: its mixed moment. */
    weightXy: 20,
    /** Out: its moment along y. */
    weightYy: 21,
  } as const,
);

/**
 * Work through a list of stars on a plane.
 *
 * The weight is the Gaussian of the star's own moments, widened where the pixels are too coarse for it (`coarse`:
 * least variance that pixels resolve), cut at three sigma. Task 1: x ← x + 2 Σ w I dx / Σ w I until the step is small.
 * Task 2: moments of the Gaussian that matches the star (adaptive moments; Bernstein & Jarvis 2002, AJ 123, 583). In
 * tasks 0 and 1, near a border, only pixels whose opposite lies in the frame count, so that the border pulls no
 * centre.
 *
 * @param parity −1: every pixel counts; 0 or 1: those with (x + y) mod 2 equal to it
 * @param list entries of {@linkcode momentFields} doubles, see {@linkcode momentAt}; results are written into it
 */
export function measureMoments(
  data: Float32Array,
  width: number,
  height: number,
  parity: -1 | 0 | 1,
  coarse: number,
  list: Float64Array,
): void {
  const count = list.length / momentFields;
  if (kernelKind() === "twin") return momentsTwin(data, width, height, parity, coarse, list, count);
  withKernel("moments", { a: data }, list.byteLength + Math.max(4 * width, 4 * 1040) + 64, (kernel, at) => {
    const there = new Float64Array(scratchFloats().buffer, at.scratch, list.length);
    there.set(list);
    kernel(at.a, width, height, parity, coarse, at.scratch, count, at.scratch + list.byteLength);
    list.set(there);
  });
}
