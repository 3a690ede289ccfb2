/** Which kinds of surface are considered for a sky, how well each foretells it, and the share each takes. */
import { expPortable } from "../kernels/elementary.ts";
import type { LowSky } from "./find_sky.ts";
import type { LowShape } from "./low_surface_fitter.ts";
import { leaveBlocksOut, unlessTooFew } from "./field_blocks.ts";
import { fitSurfaceModel, type SurfaceKind, surfaceModelAt, type SurfacePart } from "./surface_model.ts";
import type { SampledField, SampleValue } from "./sample_background.ts";

/** A kind of surface that was considered. */
export interface SurfaceCandidate extends SurfacePart {
  /**
   * Root mean square error at samples it was not fitted to, whole blocks of the field left out in turn, over the
   * samples' own error.
   */
  readonly score: number;
  /** Standard error of the score, from its scatter over the blocks. */
  readonly scoreError: number;
  /**
   * How much worse than the best it explains all samples, objects behind and beside the free ones allowed for: a
   * factor in the spread of the sky, from the likelihood of the mixture of sky and objects (Schwarz 1978); near 1 for
   * the best, 1 for a spline and a mesh.
   */
  readonly misfit: number;
}

/** A kind with its scores, before shares are dealt out. */
export type ScoredSurface = Omit<SurfaceCandidate, "share">;

/** Samples of all channels, as scores are taken of them. */
export interface ScoredSamples {
  /** Where they lie. */
  readonly field: SampledField;
  /** The samples of free sky. */
  readonly index: readonly number[];
  /** Level of a sample, one function a channel. */
  readonly values: readonly SampleValue[];
  /** Standard error of a level, one a channel. */
  readonly errors: readonly number[];
  /** Spread of the free samples, one a channel: an error beyond five of them counts no more. */
  readonly scales: readonly number[];
}

/**
 * A simpler surface is as good while its error is below this many times the best one's: with samples as sure as a
 * thirtieth of the pixel noise the difference is not seen, while a needless degree bulges where a nebula hides the sky.
 */
const maximumScoreRatio = 1.5;
/** Between this factor below the limit and above it a simpler surface has a share that falls from all to none. */
const scoreRatioBlendFactor = 1.3;

/** Place of a value between two others, 0 … 1. */
export const ramp = (x: number, from: number, to: number): number => Math.max(0, Math.min(1, (x - from) / (to - from)));

/** Polynomials that may be chosen, simplest first, the one with vignetting last; none for a spline or a mesh. */
export function polynomialKinds(
  model: "automatic" | "polynomial" | "vignetting" | "thin-plate" | "mesh",
  maximumDegree: number,
): SurfaceKind[] {
  if (model === "thin-plate" || model === "mesh") return [];
  const plain = model === "vignetting" ? [] : Array.from(
    { length: maximumDegree + 1 },
    (_, degree): SurfaceKind => ({ model: "polynomial", degree, smoothing: 0 }),
  );
  const radial = model === "polynomial" || maximumDegree < 2
    ? []
    : [{ model: "vignetting", degree: Math.min(3, maximumDegree), smoothing: 0 } as const];
  return [...plain, ...radial];
}

/**
 * Polynomials that are tried before it is known which samples show the sky: no less than degree 3, or a low surface
 * asked for would take what it does not fit for objects.
 */
export const lowShapes = (maximumDegree: number): LowShape[] =>
  [
    ...Array.from({ length: Math.max(3, maximumDegree) + 1 }, (_, degree) => ({ degree, radial: false })),
    { degree: 3, radial: true },
  ].sort((a, b) => a.degree - b.degree);

/** Misfit of a kind, mean of the channels; 1 where it is not known. */
export function misfitOf({ model, degree }: SurfaceKind, lowSkies: readonly (readonly LowSky[])[]): number {
  const excesses = lowSkies.flatMap((found) => {
    const own = found.find((each) => each.degree === degree && each.radial === (model === "vignetting"));
    return own === undefined ? [] : [(own.cost - found[0].cost) / found[0].free];
  });
  return model === "thin-plate" || model === "mesh" || excesses.length === 0
    ? 1
    : expPortable(excesses.reduce((a, b) => a + b, 0) / excesses.length / 2);
}

/** Score of a kind by leaving blocks out; null with too few samples for it. */
export function scoreSurface(kind: SurfaceKind, samples: ScoredSamples): Omit<ScoredSurface, "misfit"> | null {
  const { field, index, values, errors, scales } = samples;
  const sums: number[] = [];
  const counts: number[] = [];
  for (const { out, rest } of leaveBlocksOut(field, index)) {
    let sum = 0;
    for (let c = 0; c < values.length; c++) {
      const model = unlessTooFew(() => fitSurfaceModel(field, [{ ...kind, share: 1 }], rest, values[c]));
      if (model === null) return null;
      for (const i of out) {
        const e = values[c](field.samples[i]) - surfaceModelAt(model, field.samples[i].x, field.samples[i].y);
        // Held to 5 standard deviations: one odd sample must not decide.
        sum += Math.min(25 * scales[c] * scales[c], e * e) / (errors[c] * errors[c]);
      }
    }
    sums.push(sum);
    counts.push(out.length * values.length);
  }
  const total = counts.reduce((a, b) => a + b, 0);
  if (total === 0) return null;
  const mean = sums.reduce((a, b) => a + b, 0) / total;
  const n = sums.length;
  let scatter = 0;
  for (let k = 0; k < n; k++) scatter += (sums[k] - mean * counts[k]) ** 2;
  const meanError = n < 2 ? mean : Math.sqrt(scatter * n / (n - 1)) / total;
  const score = Math.sqrt(mean);
  return { ...kind, score, scoreError: score > 0 ? meanError / (2 * score) : 0 };
}

/** Free parameters, to say which of two models is the simpler. */
const complexity = (c: SurfaceKind): number =>
  c.model === "polynomial" || c.model === "vignetting"
    ? (c.degree + 1) * (c.degree + 2) / 2 + (c.model === "vignetting" ? 1 : 0)
    : Infinity;

/**
 * Shares of the candidates: all of it to the simplest whose error is near enough to the best one's, and near the limit
 * that decides some of it to the next, so that a sky measured again a little differently has a surface a little
 * different.
 */
function sharesOf(scored: readonly ScoredSurface[]): Map<ScoredSurface, number> {
  const best = scored.reduce((a, b) => b.score < a.score ? b : a);
  const shares = new Map<ScoredSurface, number>();
  let left = 1;
  for (const each of scored.toSorted((a, b) => complexity(a) - complexity(b))) {
    const ratio = each === best
      ? 1
      : Math.max(each.misfit / best.misfit, best.score > 0 ? each.score / best.score : Infinity);
    const share = left *
      (1 - ramp(ratio, maximumScoreRatio / scoreRatioBlendFactor, maximumScoreRatio * scoreRatioBlendFactor));
    shares.set(each, share);
    left -= share;
  }
  return shares;
}

/**
 * Deal the surface out to the candidates.
 *
 * @param held part of the surface, 0 … 1, that is given to what bends no more than a plane
 */
export function dealShares(scored: readonly ScoredSurface[], held: number): SurfaceCandidate[] {
  const plain = scored.filter((each) => complexity(each) <= 3);
  const free = sharesOf(scored);
  const low = plain.length === 0 ? free : sharesOf(plain);
  return scored.map((each) => ({ ...each, share: (1 - held) * (free.get(each) ?? 0) + held * (low.get(each) ?? 0) }));
}
