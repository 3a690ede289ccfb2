/** The search for a sky's surface: which samples are free, which kinds of surface share it, and what it rests on. */
import { madSigmaFactor } from "../stats/mad_sigma.ts";
import { median } from "../stats/median.ts";
import { unlessTooFew } from "./field_blocks.ts";
import { findFreeSamples, type FreeSamples } from "./find_free_samples.ts";
import type { LowSky } from "./find_sky.ts";
import {
  dealShares,
  lowShapes,
  misfitOf,
  polynomialKinds,
  ramp,
  type ScoredSurface,
  scoreSurface,
  type SurfaceCandidate,
} from "./score_surfaces.ts";
import {
  describeSurfaceKind,
  fitSurfaceModel,
  type SurfaceKind,
  type SurfaceModel,
  surfaceModelAt,
} from "./surface_model.ts";
import type { SampledField, SampleValue } from "./sample_background.ts";

/** Samples of all channels, and what is asked of the surface. */
export interface SurfaceProblem {
  /** All samples and where they lie. */
  readonly field: SampledField;
  /** Samples with data, uneven ones included. */
  readonly usable: readonly number[];
  /** Those that may show sky. */
  readonly start: readonly number[];
  /** Level of a sample, one function a channel. */
  readonly values: readonly SampleValue[];
  /** Typical standard error of a level, one a channel; above 0. */
  readonly errors: readonly number[];
  /** Which models may be chosen. */
  readonly model: "automatic" | "polynomial" | "vignetting" | "thin-plate" | "mesh";
  /** Largest degree of a polynomial. */
  readonly maximumDegree: number;
  /** Standard deviations above the surface from which a sample is an object's. */
  readonly rejectionSigma: number;
}

/** What {@linkcode searchSurface} found. */
export interface SurfaceSearch {
  /** Samples of free sky. */
  readonly free: readonly number[];
  /** Standard deviation of the free samples about the sky they were found by, one a channel. */
  readonly scales: readonly number[];
  /** All kinds that were considered. */
  readonly candidates: readonly SurfaceCandidate[];
  /** The surface, one model a channel. */
  readonly models: readonly SurfaceModel[];
  /** Share of the samples with data that show free sky, 0 … 1. */
  readonly freeShare: number;
  /** Scatter of the free samples about the surface over their own error, the largest over the channels. */
  readonly excess: number;
  /** How clearly the samples taken for sky show the structure of a nebula, 0 (not) … 1. */
  readonly structure: number;
  /** Low surfaces of the first iteration, best first, one list a channel. */
  readonly lowSkies: readonly (readonly LowSky[])[];
  /** Facts a reader should know. */
  readonly notes: readonly string[];
  /** Which kinds could not be fitted to the free samples, in a sentence; none when all could. */
  readonly unfitted: readonly string[];
}

/** Below this share of free samples the field counts as filled with objects. */
export const minimumFreeShare = 0.2;
/** Samples a spline is scored on, at most; its cost grows with their third power. */
const maximumSplineSamples = 160;
/** Samples a spline is scored on, at least. */
const minimumSplineSamples = 12;
/** A spline is tried where the best polynomial's error is more than this many times the samples' own. */
const maximumPolynomialScore = 2.5;

/** Samples a spline is fitted to when it is scored. */
export function thinSamples(free: readonly number[]): number[] {
  const step = Math.max(1, free.length / maximumSplineSamples);
  return Array.from({ length: Math.floor(free.length / step) }, (_, k) => free[Math.floor(k * step)]);
}

/** Scatter of the free samples about a surface, over their own error. */
const excessOf = (
  { field: { samples }, values, errors }: SurfaceProblem,
  free: readonly number[],
  models: readonly SurfaceModel[],
): number =>
  Math.max(...values.map((value, c) => {
    const left = free.map((i) => Math.abs(value(samples[i]) - surfaceModelAt(models[c], samples[i].x, samples[i].y)));
    return madSigmaFactor * median(left) / errors[c];
  }));

/** Samples that are free in every channel, and those placed by hand. */
function freeInAll({ field: { samples }, start }: SurfaceProblem, found: readonly FreeSamples[]): number[] {
  const byHand = start.filter((i) => samples[i].byHand);
  return [...new Set([...start.filter((i) => found.every((f) => f.free.has(i))), ...byHand])].sort((a, b) => a - b);
}

/** The kinds that could be scored, and those that the free samples do not determine, in words. */
interface ScoredKinds {
  readonly scored: readonly ScoredSurface[];
  readonly unfitted: readonly string[];
}

/** What is left when no kind can be fitted: it needs one sample only. */
const plainConstant: ScoredSurface = {
  model: "polynomial",
  degree: 0,
  smoothing: 0,
  score: 1,
  scoreError: 0,
  misfit: 1,
};

/** A spline over a polynomial with the smoothing that it would have on these samples; null where none can be fitted. */
function splineKind({ field, values }: SurfaceProblem, index: readonly number[], degree: number): SurfaceKind | null {
  const trial = unlessTooFew(() =>
    fitSurfaceModel(field, [{ model: "thin-plate", degree, smoothing: NaN, share: 1 }], index, values[0])
  );
  if (trial === null) return null;
  const [spline] = trial.bent;
  return { model: "thin-plate", degree, smoothing: spline.kind === "thin-plate" ? spline.spline.smoothing : NaN };
}

/** Score the kinds that may be chosen on the free samples; what cannot be fitted to them drops out. */
function scoreKinds(problem: SurfaceProblem, search: SurfaceSearch): ScoredKinds {
  const { field, values, errors, model, maximumDegree } = problem;
  const { free, scales, lowSkies } = search;
  const score = (kind: SurfaceKind, index: readonly number[]): ScoredSurface | null => {
    const found = scoreSurface(kind, { field, index, values, errors, scales });
    return found === null ? null : { ...found, misfit: misfitOf(kind, lowSkies) };
  };
  if (model === "mesh") {
    const mesh = score({ model, degree: 0, smoothing: 0 }, free);
    if (mesh === null) {
      throw new RangeError("fitSurface: a mesh must have free boxes all over the field; exclude less");
    }
    return { scored: [mesh], unfitted: [] };
  }

  const scored: ScoredSurface[] = [];
  const names: string[] = [];
  for (const kind of polynomialKinds(model, maximumDegree)) {
    const polynomial = score(kind, free);
    if (polynomial === null) names.push(describeSurfaceKind(kind));
    else scored.push(polynomial);
  }
  const poor = !scored.some((each) => each.score <= maximumPolynomialScore);
  const thin = thinSamples(free);
  if (model === "thin-plate" || model === "automatic" && poor) {
    const degree = model === "thin-plate" ? 0 : Math.min(3, Math.max(0, ...scored.map((each) => each.degree)));
    const kind = thin.length < minimumSplineSamples ? null : splineKind(problem, thin, degree);
    const spline = kind === null ? null : score(kind, thin);
    if (spline === null) names.push("a thin-plate spline");
    else scored.push(spline);
  }
  if (names.length === 0) return { scored, unfitted: [] };
  const because = `the ${free.length} free samples do not determine ${names.join(", ")}`;
  return scored.length > 0
    ? { scored, unfitted: [`${because}: left out of the choice`] }
    : { scored: [plainConstant], unfitted: [`${because}: a plain constant was taken instead`] };
}

/** One iteration: the free samples against the surface so far, and the surface through them; null when none changed. */
function iterate(problem: SurfaceProblem, before: SurfaceSearch | null): SurfaceSearch | null {
  const { field, usable, start, values, errors, model, maximumDegree, rejectionSigma } = problem;
  const found = values.map((value, c) =>
    findFreeSamples(
      { field, candidates: start, value, error: errors[c] },
      rejectionSigma,
      before === null ? null : { model: before.models[c], scale: before.scales[c] },
      lowShapes(maximumDegree),
    )
  );
  const next = freeInAll(problem, found);
  const known = before?.free ?? [];
  if (next.length === known.length && next.every((v, k) => v === known[k])) return null;

  const notes = [...before?.notes ?? []];
  if (next.length < 3) notes.push("no sample stands out as free sky; all of them were used");
  const search: SurfaceSearch = {
    free: next.length < 3 ? start : next,
    scales: found.map((f) => f.scale),
    candidates: [],
    models: [],
    freeShare: before?.freeShare ?? Math.min(...found.map((f) => f.share)) * start.length / usable.length,
    excess: NaN,
    structure: before?.structure ?? Math.max(...found.map((f) => f.structure)),
    lowSkies: before?.lowSkies ?? found.map((f) => f.lowSkies),
    notes,
    unfitted: [],
  };
  const { scored, unfitted } = scoreKinds(problem, search);
  const fitted = (candidates: readonly SurfaceCandidate[]) => {
    const parts = candidates.filter(({ share }) => share > 0);
    return { candidates, models: values.map((value) => fitSurfaceModel(field, parts, search.free, value)) };
  };
  const best = fitted(dealShares(scored, 0));
  const excess = excessOf(problem, search.free, best.models);
  // Where nebula may pass for sky, what bends more than a plane is held back.
  const held = model !== "automatic"
    ? 0
    : Math.max(search.structure, ramp(-search.freeShare, -1.2 * minimumFreeShare, -minimumFreeShare));
  return { ...search, ...(held > 0 ? fitted(dealShares(scored, held)) : best), excess, unfitted };
}

/**
 * Find the free samples and the surface through them, each by the other, in three iterations at most.
 *
 * @throws {RangeError} if a mesh is asked for and free boxes are missing in a part of the field
 */
export function searchSurface(problem: SurfaceProblem): SurfaceSearch {
  let search = iterate(problem, null);
  for (let iteration = 1; iteration < 3 && search !== null; iteration++) {
    const next: SurfaceSearch | null = iterate(problem, search);
    if (next === null) break;
    search = next;
  }
  if (search === null) throw new RangeError("fitSurface: samples must show sky, but none does; exclude less");
  return search;
}
