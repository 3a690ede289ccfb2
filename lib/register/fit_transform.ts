/** The map that carries points of one frame onto those of another, from pairs of points. */
import type { Point } from "../core/geometry.ts";
import { settle } from "../core/options.ts";
import { applyTransform, type Transform } from "../core/transform.ts";
import { fitAffine, fitHomography, fitShift, fitSimilarity, type PointColumns } from "./linear_models.ts";
import { fitPolynomial, roundTripError, termCount, withInverse } from "./polynomial_model.ts";
import { explainsMore, fitRobustly, type MapFamily, type RobustMap, startWeights } from "./robust_transform.ts";
import type { Box } from "./star_list.ts";

/** One point seen in two frames. */
export interface PointPair {
  /** Place in the frame to be moved, pixels. */
  readonly source: Point;
  /** Place in the reference frame, pixels. */
  readonly reference: Point;
  /** Relative trust, proportional to 1 / variance of the distance; 1 when left out. */
  readonly weight?: number;
}

/** Families of maps, from stiff to supple; a `shift` comes out as a similarity that neither turns nor scales. */
export type TransformModel = "shift" | "similarity" | "affine" | "homography" | "polynomial";

/** Options of {@linkcode fitTransform}. */
export interface FitTransformOptions {
  /** Family of the map; `automatic` takes the stiffest one that explains the pairs (F-test). */
  readonly model: TransformModel | "automatic";
  /** Total degree when `model` is `polynomial`: 2 or 3. */
  readonly degree: number;
  /** Whether a similarity may turn the picture over (a mirror in the light path). */
  readonly mirror: boolean;
  /** Share of good pairs one is willing to lose to the rejection of outliers; 0 rejects none. */
  readonly falseRejectionShare: number;
  /** Chance of taking a more supple model although the stiffer one is true, per comparison (`automatic`). */
  readonly significance: number;
  /** Size of the source frame, pixels: where a polynomial must hold. `null` takes the box round the pairs. */
  readonly sourceSize: { readonly width: number; readonly height: number } | null;
}

/**
 * Defaults of {@linkcode fitTransform}: one good pair in a thousand may go, which cuts at √(2 ln 1000) = 3.72 sigma of
 * the distance (Rayleigh's distribution); the F-test at 1 % is the customary level of the textbooks.
 */
export const fitTransformDefaults: Readonly<FitTransformOptions> = Object.freeze({
  model: "automatic",
  degree: 3,
  mirror: true,
  falseRejectionShare: 0.001,
  significance: 0.01,
  sourceSize: null,
});

/** What {@linkcode fitTransform} found. */
export interface TransformFit {
  /** Source pixel → reference pixel. */
  readonly transform: Transform;
  /** Family that was used. */
  readonly model: TransformModel;
  /** Number of coefficients. */
  readonly parameters: number;
  /**
   * Root mean square distance between moved source points and reference points, over the pairs kept; reference pixels.
   */
  readonly rmsPixels: number;
  /** For each pair, whether it was kept. */
  readonly kept: readonly boolean[];
  /** For each pair, moved source point minus reference point, pixels. */
  readonly residuals: readonly Point[];
  /** Facts and doubts a reader should see. */
  readonly notes: readonly string[];
}

function checkOptions(used: Readonly<FitTransformOptions>): void {
  const { model, degree, falseRejectionShare, significance } = used;
  if (!["automatic", "shift", "similarity", "affine", "homography", "polynomial"].includes(model)) {
    throw new RangeError(
      `fitTransform: model must be automatic, shift, similarity, affine, homography or polynomial, but got ${model}`,
    );
  }
  if (degree !== 2 && degree !== 3) throw new RangeError(`fitTransform: degree must be 2 or 3, but got ${degree}`);
  if (!(falseRejectionShare >= 0 && falseRejectionShare < 1)) {
    throw new RangeError(`fitTransform: falseRejectionShare must be from 0 to below 1, but got ${falseRejectionShare}`);
  }
  if (!(significance > 0 && significance < 1)) {
    throw new RangeError(`fitTransform: significance must lie between 0 and 1, but got ${significance}`);
  }
}

/** The pairs as columns with their weights. */
function columnsOf(pairs: readonly PointPair[]): { readonly points: PointColumns; readonly weights: Float64Array } {
  const n = pairs.length;
  const points: PointColumns = {
    n,
    x: Float64Array.from(pairs, (each) => each.source.x),
    y: Float64Array.from(pairs, (each) => each.source.y),
    u: Float64Array.from(pairs, (each) => each.reference.x),
    v: Float64Array.from(pairs, (each) => each.reference.y),
  };
  const weights = Float64Array.from(pairs, (each) => each.weight ?? 1);
  for (let i = 0; i < n; i++) {
    if (!Number.isFinite(points.x[i] + points.y[i] + points.u[i] + points.v[i])) {
      throw new RangeError(`fitTransform: coordinates must be finite, but pair ${i} is not; leave it out`);
    }
    if (!(weights[i] > 0)) throw new RangeError(`fitTransform: weights must be > 0, but pair ${i} has ${weights[i]}`);
  }
  return { points, weights };
}

/** The source frame, or the box round the pairs when its size is not known. */
function frameOf(points: PointColumns, size: FitTransformOptions["sourceSize"]): Box {
  if (size !== null) return { x0: -0.5, y0: -0.5, x1: size.width - 0.5, y1: size.height - 0.5 };
  return {
    x0: points.x.reduce((a, b) => Math.min(a, b), Infinity),
    y0: points.y.reduce((a, b) => Math.min(a, b), Infinity),
    x1: points.x.reduce((a, b) => Math.max(a, b), -Infinity),
    y1: points.y.reduce((a, b) => Math.max(a, b), -Infinity),
  };
}

const shiftFamily: MapFamily = { model: "shift", degree: 0, parameters: 2, fit: fitShift };
const affineFamily: MapFamily = { model: "affine", degree: 1, parameters: 6, fit: fitAffine };
const homographyFamily: MapFamily = { model: "homography", degree: 1, parameters: 8, fit: fitHomography };

const similarityFamily = (mirror: boolean): MapFamily => ({
  model: "similarity",
  degree: 1,
  parameters: 4,
  fit: (points, weights) => fitSimilarity(points, weights, mirror),
});

const polynomialFamily = (degree: number, frame: Box): MapFamily => ({
  model: "polynomial",
  degree,
  parameters: 2 * termCount(degree),
  fit: (points, weights) => fitPolynomial(points, weights, degree, frame),
});

/** The family that was asked for; a similarity to begin with when it is chosen. */
function familyOf({ model, degree, mirror }: Readonly<FitTransformOptions>, frame: Box): MapFamily {
  if (model === "shift") return shiftFamily;
  if (model === "affine") return affineFamily;
  if (model === "homography") return homographyFamily;
  if (model === "polynomial") return polynomialFamily(degree, frame);
  return similarityFamily(mirror);
}

/** Pairs that each coefficient of a chosen map asks for. */
const pairsPerCoefficient = 3;

/** Whether each ninth of the frame holds at least `minimum` pairs, so that a supple map cannot run wild in a corner. */
function coversFrame(points: PointColumns, box: Box, minimum: number): boolean {
  const counts = new Int32Array(9);
  const cell = (value: number, low: number, high: number) =>
    Math.min(2, Math.max(0, Math.floor(3 * (value - low) / Math.max(high - low, 1e-9))));
  for (let i = 0; i < points.n; i++) {
    counts[cell(points.y[i], box.y0, box.y1) * 3 + cell(points.x[i], box.x0, box.x1)]++;
  }
  return counts.every((each) => each >= minimum);
}

/** From a similarity to the family that the pairs ask for: a shift if that does as well, else more supple ones. */
function chooseFamily(
  first: RobustMap,
  points: PointColumns,
  frame: Box,
  fit: (family: MapFamily) => RobustMap | null,
  explains: (supple: RobustMap, stiff: RobustMap) => boolean,
): RobustMap {
  const { n } = points;
  let best = first;
  // where nothing turns or scales beyond the noise, the shift alone is the surer map
  const still = fit(shiftFamily);
  if (still !== null && n > 2 && !explains(best, still)) best = still;
  for (
    const family of [affineFamily, homographyFamily, polynomialFamily(2, frame), polynomialFamily(3, frame)]
  ) {
    // with fewer stars noise bends the map between and beyond them
    if (n < pairsPerCoefficient * family.parameters) break;
    if (family.degree > 1 && !coversFrame(points, frame, family.degree)) continue;
    const next = fit(family);
    if (next !== null && explains(next, best)) best = next;
  }
  return best;
}

/** Error of the map there and back that is worth a note, pixels. */
const notedRoundTrip = 0.01;

/** The result with residuals and notes. */
function describeFit(pairs: readonly PointPair[], best: RobustMap, frame: Box): TransformFit {
  const { kept, family } = best;
  const n = pairs.length;
  const transform = best.transform.kind === "polynomial" ? withInverse(best.transform, frame) : best.transform;
  const residuals = pairs.map(({ source, reference }) => {
    const p = applyTransform(transform, source.x, source.y);
    return { x: p.x - reference.x, y: p.y - reference.y };
  });
  let sum = 0;
  let count = 0;
  residuals.forEach((each, i) => {
    if (kept[i]) {
      sum += each.x * each.x + each.y * each.y;
      count++;
    }
  });
  const notes: string[] = [];
  if (count < n) notes.push(`${n - count} of ${n} pairs were rejected as outliers`);
  if (transform.kind === "polynomial") {
    const worst = roundTripError(transform, frame);
    if (worst > notedRoundTrip) notes.push(`there and back the polynomial misses by up to ${worst.toFixed(3)} px`);
  }
  return {
    transform,
    model: family.model,
    parameters: family.parameters,
    rmsPixels: Math.sqrt(sum / count),
    kept: Array.from(kept, (each) => each === 1),
    residuals,
    notes,
  };
}

/**
 * Fit the map that carries the source points onto the reference points.
 *
 * Similarity in closed form (Umeyama 1991, IEEE PAMI 13, 376, in complex numbers), affine and polynomial by orthogonal
 * least squares, homography by the normalised direct method (Hartley 1997, IEEE PAMI 19, 580) followed by Gauss-Newton
 * on the distances. Outliers are rejected from a start with Cauchy weights. With `automatic` each more supple family
 * must lower the weighted squares by more than the F-test allows, and polynomials are only tried with pairs in every
 * ninth of the frame. Cost: linear in the number of pairs; 0.1 ms for 100 pairs and a similarity.
 *
 * @param pairs at least 1 for a shift, 2 similarity, 3 affine, 4 homography, 6 or 10 polynomial; pixels, first centre
 * (0, 0)
 * @param options family, rejection, F-test
 * @throws {RangeError} if there are too few pairs, the points lie so that the family is not determined (all on one
 * line), a coordinate is not finite or a weight is not above 0
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { applyTransform, fitTransform } from "faintlight/geometry";
 *
 * const places = [[0, 0], [100, 0], [100, 80], [0, 80]].map(([x, y]) => ({ x, y }));
 * const pairs = places.map((source) => ({ source, reference: { x: 5 - source.y, y: source.x - 2 } }));
 * const { transform, rmsPixels } = fitTransform(pairs, { model: "similarity" });
 * assert.ok(rmsPixels < 1e-9);
 * assert.ok(Math.abs(applyTransform(transform, 10, 20).x - -15) < 1e-9);
 * ```
 */
export function fitTransform(
  pairs: readonly PointPair[],
  options: Partial<FitTransformOptions> = {},
): TransformFit {
  const used = settle("fitTransform", fitTransformDefaults, options);
  checkOptions(used);
  const { points, weights } = columnsOf(pairs);
  const frame = frameOf(points, used.sourceSize);
  const wanted = familyOf(used, frame);
  if (pairs.length < wanted.parameters / 2) {
    throw new RangeError(
      `fitTransform: pairs must be at least ${
        wanted.parameters / 2
      } for the ${wanted.model} map, but got ${pairs.length}; use a stiffer model`,
    );
  }

  let started: Float64Array | null = null;
  const start = () => started ??= startWeights(points, weights, used.mirror);
  const fit = (family: MapFamily) => fitRobustly(family, points, weights, used.falseRejectionShare, start);
  const first = fit(wanted);
  if (first === null) {
    throw new RangeError(
      `fitTransform: the ${pairs.length} pairs must determine the ${wanted.model} map, but they do not (points ` +
        "on one line, or no majority that agrees)",
    );
  }
  const explains = (supple: RobustMap, stiff: RobustMap) =>
    explainsMore(supple, stiff, points, weights, used.significance);
  const best = used.model === "automatic" ? chooseFamily(first, points, frame, fit, explains) : first;
  return describeFit(pairs, best, frame);
}
