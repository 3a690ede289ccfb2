/** A smooth surface through the samples that show free sky, with the choice of model explained. */
import { type Displayed, displayed } from "../core/display.ts";
import { createImage, type Image } from "../core/image.ts";
import type { Recorded } from "../core/history.ts";
import { settle } from "../core/options.ts";
import { median } from "../stats/median.ts";
import { meshOf } from "./mesh_surface.ts";
import type { BackgroundSample, BackgroundSamples } from "./sample_background.ts";
import type { SurfaceCandidate } from "./score_surfaces.ts";
import {
  minimumFreeShare,
  searchSurface,
  type SurfaceProblem,
  type SurfaceSearch,
  thinSamples,
} from "./search_surface.ts";
import { describeSurfaceKind, fitSharedShape, renderSurfaceModel } from "./surface_model.ts";
import { surfaceUncertainty } from "./surface_uncertainty.ts";

/** Options of {@linkcode fitSurface}. */
export interface FitSurfaceOptions {
  /**
   * Which models may be chosen: the best of polynomials, one with vignetting and, where those will not do, a
   * thin-plate spline; or one kind. A mesh takes a value from every free box and so follows whatever is wider than
   * three of them, a faint nebula too; it is for free skies that no other model fits, and is never chosen by itself.
   */
  readonly model: "automatic" | "polynomial" | "vignetting" | "thin-plate" | "mesh";
  /** Largest degree of a polynomial, 0 … 4. */
  readonly maximumDegree: number;
  /** A sample is an object's when it lies more than this many standard deviations above the surface. */
  readonly rejectionSigma: number;
  /** A surface for each channel, or one shape for all, scaled to each. */
  readonly shape: "each" | "shared";
}

/**
 * What {@linkcode fitSurface} uses for an option left out. The limit loses 2.3 % of free sky. Degree 4 is taken only
 * where degree 3 leaves half as much again: a lamp beside the field, never the planes to cubics of our simulations.
 */
export const fitSurfaceDefaults: Readonly<FitSurfaceOptions> = Object.freeze({
  model: "automatic",
  maximumDegree: 4,
  rejectionSigma: 2,
  shape: "each",
});

/** The surface and why it is this one. */
export interface BackgroundSurface extends Recorded, Displayed {
  /** The surface at every pixel, one plane a channel. */
  readonly image: Image;
  /** Median of the surface over the field for each channel: what stays in the image when it is subtracted. */
  readonly levels: readonly number[];
  /** Highest minus lowest value over the field, for each channel. */
  readonly ranges: readonly number[];
  /** The candidate with the largest share. */
  readonly chosen: SurfaceCandidate;
  /** All that were considered, with their scores and shares. */
  readonly candidates: readonly SurfaceCandidate[];
  /** The samples with their final doubts. */
  readonly samples: readonly BackgroundSample[];
  /** Share of the samples with data that show free sky, 0 … 1. */
  readonly freeShare: number;
  /**
   * Scatter of the free samples about the surface over their own error, the largest over the channels: near 1 for a
   * free sky.
   */
  readonly excess: number;
  /**
   * Standard error of the surface's shape where it is known least (behind a nebula, at a corner), for each channel:
   * from leaving out blocks of the field in turn, and from what the candidates that have a share differ by.
   */
  readonly uncertainty: readonly number[];
  /** Facts a reader should know. */
  readonly notes: readonly string[];
}

/** A surface that is unsure by more than this many times the noise of a pixel is said to be: half of it is our aim. */
const maximumUncertaintyOverNoise = 0.5;

/** Refuse options out of range. */
function requireSurfaceOptions({ model, maximumDegree, rejectionSigma, shape }: FitSurfaceOptions): void {
  if (!["automatic", "polynomial", "vignetting", "thin-plate", "mesh"].includes(model)) {
    throw new RangeError(
      `fitSurface: model must be "automatic", "polynomial", "vignetting", "thin-plate" or "mesh", but got ${
        JSON.stringify(model)
      }`,
    );
  }
  if (!(Number.isInteger(maximumDegree) && maximumDegree >= 0 && maximumDegree <= 4)) {
    throw new RangeError(`fitSurface: maximumDegree must be a whole number of 0 … 4, but got ${maximumDegree}`);
  }
  if (!(rejectionSigma > 0)) throw new RangeError(`fitSurface: rejectionSigma must be > 0, but got ${rejectionSigma}`);
  if (shape !== "each" && shape !== "shared") {
    throw new RangeError(`fitSurface: shape must be "each" or "shared", but got ${JSON.stringify(shape)}`);
  }
}

/** The samples as the search takes them; refused when too few may show sky. */
function problemOf(samples: BackgroundSamples, used: FitSurfaceOptions): SurfaceProblem {
  const { width, height, channels, samples: list } = samples;
  if (used.model === "mesh" && meshOf(list) === null) {
    throw new RangeError(
      "fitSurface: a mesh must have boxes that were laid out, but got points chosen by hand only; name another model",
    );
  }
  const usable = list.flatMap((s, i) => s.doubt === "" || s.doubt === "uneven" ? [i] : []);
  const start = usable.filter((i) => list[i].doubt === "");
  if (start.length < 3) {
    throw new RangeError(
      `fitSurface: at least 3 samples must show sky, but got ${start.length}; exclude less, or place points by hand`,
    );
  }
  const errors = channels.map((_, c) => {
    const typical = median(start.map((i) => list[i].errors[c]));
    const level = median(start.map((i) => list[i].levels[c]));
    return Math.max(Math.max(typical, 1e-9 * Math.abs(level)), Number.MIN_VALUE);
  });
  return {
    field: { width, height, samples: list },
    usable,
    start,
    values: channels.map((_, c) => (s: BackgroundSample) => s.levels[c]),
    errors,
    model: used.model,
    maximumDegree: used.maximumDegree,
    rejectionSigma: used.rejectionSigma,
  };
}

/** What stands against trusting the surface, in words. */
function doubtsOf(
  { field: { samples }, errors, model }: SurfaceProblem,
  { freeShare, structure, scales, free }: SurfaceSearch,
  uncertainty: readonly number[],
): string[] {
  const doubts: string[] = [];
  if (freeShare < minimumFreeShare) {
    doubts.push(
      `only ${(100 * freeShare).toFixed(0)} % of the samples show free sky: the field is filled with objects, ` +
        "and no more than a plane was taken off; place points by hand where you know the sky to be free",
    );
  }
  if (model === "automatic" && structure > 0) {
    const scatter = Math.max(...scales.map((scale, c) => scale / errors[c])).toFixed(1);
    doubts.push(
      `the samples taken for sky scatter ${scatter} times more about the best surface than their noise: nebula may ` +
        `fill the field, and ${structure < 1 ? "part of what bends more" : "no more"} than a plane was ${
          structure < 1 ? "left in" : "taken off"
        }; name the model yourself if you know that the sky is free`,
    );
  }
  const relative = uncertainty.map((each, c) => each / median(free.map((i) => samples[i].spreads[c])));
  const worst = relative.indexOf(Math.max(...relative));
  if (relative[worst] > maximumUncertaintyOverNoise) {
    doubts.push(
      `where it is known least the surface is unsure by ${uncertainty[worst].toPrecision(2)}, ${
        relative[worst].toPrecision(2)
      } times the noise of a pixel: compare it with another model, or place points by hand where you know the sky ` +
        "to be free",
    );
  }
  return doubts;
}

/** Highest less lowest value. */
function rangeOf(data: Float32Array): number {
  let low = Infinity;
  let high = -Infinity;
  for (let i = 0; i < data.length; i++) {
    if (data[i] < low) low = data[i];
    if (data[i] > high) high = data[i];
  }
  return high - low;
}

/** Median of a plane of a surface, from at most some fifty thousand of its pixels. */
function levelOf(data: Float32Array): number {
  const thin: number[] = [];
  for (let i = 0; i < data.length; i += Math.max(1, Math.floor(data.length / 50_000) | 1)) thin.push(data[i]);
  return median(thin);
}

/**
 * Fit a smooth surface to samples of the sky.
 *
 * First the samples that show free sky are found, one-sided because nebulae and stars are positive; a sample that is
 * an object's in one channel is left out of all. Then models are compared by leaving blocks of the field out in turn
 * (four by four), and by how likely each makes all samples, objects allowed for. The simplest whose error in both is
 * less than half as large again as the best one's is taken (after Breiman et al. 1984), and near that limit two share
 * the surface (Buckland et al. 1997). The free samples are found once more against it.
 *
 * @returns the surface with its scores, samples and notes. Cost: some hundred small least-squares problems and one
 *   evaluation over the image
 * @throws {RangeError} if an option is out of range or fewer than three samples show sky
 *
 * @example A plane is recovered
 * ```ts
 * import assert from "node:assert/strict";
 * import { fitSurface, sampleBackground } from "faintlight";
 * import { createImage } from "faintlight/extend";
 *
 * const data = Float32Array.from({ length: 240 * 160 }, (_, i) => 100 + (i % 240) / 10);
 * const image = createImage({ width: 240, height: 160, unit: "adu", planes: [{ channel: "L", data }] });
 * const surface = fitSurface(sampleBackground(image));
 * assert.equal(surface.chosen.degree, 1);
 * assert.ok(Math.abs(surface.ranges[0] - 23.9) < 0.1);
 * ```
 */
export function fitSurface(samples: BackgroundSamples, options: Partial<FitSurfaceOptions> = {}): BackgroundSurface {
  const used = settle("fitSurface", fitSurfaceDefaults, options);
  requireSurfaceOptions(used);
  const problem = problemOf(samples, used);
  const { field, values } = problem;
  const search = searchSurface(problem);
  const { free, candidates } = search;
  const parts = candidates.filter(({ share }) => share > 0);
  const models = used.shape === "shared" && values.length > 1
    ? fitSharedShape(field, parts, free, values)
    : search.models;

  const foundOn = parts.some((part) => part.model === "thin-plate") ? thinSamples(free) : free;
  const uncertainty = values.map((value) => surfaceUncertainty(field, parts, foundOn, value));
  const { width, height, channels } = samples;
  const planes = models.map((model, c) => ({ channel: channels[c], data: renderSurfaceModel(model, width, height) }));
  const ranges = planes.map(({ data }) => rangeOf(data));
  const named = parts.map((part) =>
    `${describeSurfaceKind(part)}${parts.length > 1 ? ` (${Math.round(100 * part.share)} %)` : ""}`
  );
  const notes = [
    `${named.join(" and ")} on ${free.length} of ${field.samples.length} samples; range ${
      ranges.map((r) => r.toPrecision(3)).join(", ")
    }`,
    ...search.notes,
    ...search.unfitted,
    ...doubtsOf(problem, search, uncertainty),
  ];

  const image = createImage(
    { width, height, unit: samples.unit, geometry: samples.geometry, planes },
    { step: "fitSurface", options: used, notes },
    [samples],
  );
  const taken = new Set(free);
  return displayed("surface", {
    image,
    levels: planes.map(({ data }) => levelOf(data)),
    ranges,
    chosen: parts.reduce((a, b) => b.share > a.share ? b : a),
    candidates,
    samples: field.samples.map((s, i) => ({
      ...s,
      doubt: taken.has(i) ? "" : s.doubt === "" ? "object" : s.doubt,
    })),
    freeShare: search.freeShare,
    excess: search.excess,
    uncertainty,
    notes,
    history: image.history,
  });
}
