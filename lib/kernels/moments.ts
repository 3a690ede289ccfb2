/** Gaussian-weighted moments of stars, many at a call. */
import type { Sampling } from "../core/sampling.ts";
import { kernelKind, scratchFloats, withKernel } from "./machine.ts";
import { momentsTwin } from "./moments.twin.ts";

/** Doubles an entry of the list of {@linkcode measureMoments} takes. */
export const momentFields = 32;

/** Where in an entry each number stands. */
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
    maximumShift: 7,
    /** Step below which centring ends, pixels. */
    tolerance: 8,
    /** Least Σ w I over √Σ w²; below it the measurement ends at once. */
    minimumSignal: 9,
    /** Least variance along the short axis. */
    minimumVariance: 10,
    /** Most variance along the long axis. */
    maximumVariance: 11,
    /** Most passes. */
    iterations: 12,
    /** Out: 1 if it came to rest, 0 if it wandered off, ran out of bounds or has no flux. */
    converged: 13,
    /** Out: Σ w I. */
    sum: 14,
    /** Out: Σ w² over the pixels that count. */
    weight2: 15,
    /** Out: Σ w² I, for the photon noise of the star. */
    weight2Flux: 16,
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

/** The samples that moments are measured on: a plane, and which of its pixels count. */
export type MomentPlane = Pick<Sampling, "data" | "width" | "height" | "parity">;

/**
 * Measure a list of stars on a plane.
 *
 * The weight is the Gaussian of the star's own moments, widened where the pixels are too coarse for it, cut at three
 * sigma. Task 1: x ← x + 2 Σ w I dx / Σ w I until the step is small. Task 2: moments of the Gaussian that matches the
 * star (adaptive moments; Bernstein & Jarvis 2002, AJ 123, 583). In tasks 0 and 1, near a border, only pixels whose
 * opposite lies in the frame count, so that the border pulls no centre.
 *
 * @param resolved least variance that the pixels resolve
 * @param list entries of {@linkcode momentFields} doubles, see {@linkcode momentAt}; results are written into it
 */
export function measureMoments(plane: MomentPlane, resolved: number, list: Float64Array): void {
  const { data, width, height, parity } = plane;
  const count = list.length / momentFields;
  if (kernelKind() === "twin") return momentsTwin(plane, resolved, list);
  withKernel("moments", { a: data }, list.byteLength + Math.max(4 * width, 4 * 1040) + 64, (kernel, at) => {
    const there = new Float64Array(scratchFloats().buffer, at.scratch, list.length);
    there.set(list);
    kernel(at.a, width, height, parity, resolved, at.scratch, count, at.scratch + list.byteLength);
    list.set(there);
  });
}
