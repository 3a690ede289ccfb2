/** Maps fitted so that wrong pairs do not pull, and the test whether a more supple one is worth its coefficients. */
import { randomStream } from "../core/random.ts";
import { applyTransform, type Transform } from "../core/transform.ts";
import { median } from "../stats/median.ts";
import { fTail } from "../stats/special_functions.ts";
import { fitSimilarity, type PointColumns } from "./linear_models.ts";

/** A family of maps with the way it is fitted. */
export interface MapFamily {
  /** Its name. */
  readonly model: "shift" | "similarity" | "affine" | "homography" | "polynomial";
  /** Total degree of its polynomials; 0 for a shift. */
  readonly degree: number;
  /** Coefficients. */
  readonly parameters: number;
  /** Weighted least-squares fit; null when the points do not determine it. */
  readonly fit: (points: PointColumns, weights: Float64Array) => Transform | null;
}

/** A map and the pairs it was fitted to. */
export interface RobustMap {
  /** The family. */
  readonly family: MapFamily;
  /** Source pixel → reference pixel. */
  readonly transform: Transform;
  /** 1 for each pair that was kept. */
  readonly kept: Uint8Array;
}

/** Below this no residual is an error, pixels: pairs made by exact arithmetic differ by rounding only. */
const exactPixels = 1e-6;

function distances(transform: Transform, points: PointColumns, out: Float64Array): void {
  for (let i = 0; i < points.n; i++) {
    const p = applyTransform(transform, points.x[i], points.y[i]);
    out[i] = Math.hypot(p.x - points.u[i], p.y - points.v[i]);
  }
}

/** Median of Rayleigh's distribution for sigma 1: √(2 ln 2). */
const rayleighMedian = Math.sqrt(2 * Math.LN2);

/** Number of RANSAC draws of `size` that hold an all-good one with the chance given (Fischler & Bolles 1981). */
export function ransacTrials(confidence: number, goodShare: number, size: number): number {
  const good = goodShare ** size;
  return good >= 1 ? 1 : Math.ceil(Math.log(1 - confidence) / Math.log(1 - good));
}

/** Pairs that score a draw at most; more would tell the same. */
const scoredPairs = 100;

/** Similarity through two pairs, upright or turned over; null when two points coincide. */
function similarityThrough(points: PointColumns, i: number, j: number, turned: boolean): Transform | null {
  const { x, y, u, v } = points;
  const pick = (a: Float64Array) => Float64Array.of(a[i], a[j]);
  const pair: PointColumns = {
    n: 2,
    x: pick(x),
    y: turned ? Float64Array.of(-y[i], -y[j]) : pick(y),
    u: pick(u),
    v: pick(v),
  };
  const upright = fitSimilarity(pair, Float64Array.of(1, 1), false);
  if (upright === null || upright.kind === "polynomial" || !turned) return upright;
  const m = upright.matrix;
  return { kind: "similarity", matrix: [m[0], -m[1], m[2], m[3], -m[4], m[5], 0, 0, 1] };
}

/**
 * Weights from the similarity through two pairs that leaves the least median distance (Rousseeuw 1984, JASA 79, 871),
 * out of as many draws as hold a good one with 99.9 % when half of the pairs are wrong (Fischler & Bolles 1981). The
 * draws come from a fixed seed: the same pairs give the same map.
 */
export function startWeights(points: PointColumns, weights: Float64Array, mirror: boolean): Float64Array {
  const { n, x, y, u, v } = points;
  const random = randomStream("fitTransform");
  const every = Math.max(1, Math.floor(n / scoredPairs));
  const score = new Float64Array(Math.ceil(n / every));
  let best: Transform | null = null;
  let least = Infinity;
  const span = (a: Float64Array, b: Float64Array, i: number, j: number) => Math.hypot(a[i] - a[j], b[i] - b[j]);
  for (let draw = 0; draw < ransacTrials(0.999, 0.5, 2); draw++) {
    const i = Math.floor(random.uniform() * n);
    const step = 1 + Math.floor(random.uniform() * (n - 1));
    const j = (i + step) % n;
    if (!(span(x, y, i, j) > 0 && span(u, v, i, j) > 0)) continue;
    for (const turned of mirror ? [false, true] : [false]) {
      const map = similarityThrough(points, i, j, turned);
      if (map === null) continue;
      for (let k = 0, at = 0; k < n; k += every, at++) {
        const p = applyTransform(map, x[k], y[k]);
        score[at] = Math.hypot(p.x - u[k], p.y - v[k]);
      }
      const value = median(score);
      if (value < least) {
        least = value;
        best = map;
      }
    }
  }
  if (best === null) return weights;
  const r = new Float64Array(n);
  distances(best, points, r);
  const sigma = Math.max(exactPixels, median(r) / rayleighMedian);
  return weights.map((each, i) => each / (1 + (r[i] / (2 * sigma)) ** 2));
}

/** Residuals of the pairs and their sigma, measured again for each map. */
class Residuals {
  /** Distance of each pair, weighted, pixels. */
  readonly distance: Float64Array;
  readonly #points: PointColumns;
  readonly #weights: Float64Array;
  readonly #unit: number;
  readonly #freedom: number;

  /** @param minimum pairs that determine the map */
  constructor(points: PointColumns, weights: Float64Array, minimum: number) {
    const { n } = points;
    this.#points = points;
    this.#weights = weights;
    this.#unit = median(weights);
    this.#freedom = Math.sqrt(n / Math.max(1, n - minimum));
    this.distance = new Float64Array(n);
  }

  /** Sigma of one coordinate, from the median distance. */
  measure(map: Transform): number {
    const r = this.distance;
    distances(map, this.#points, r);
    for (let i = 0; i < r.length; i++) r[i] *= Math.sqrt(this.#weights[i] / this.#unit);
    return Math.max(exactPixels, median(r) / rayleighMedian * this.#freedom);
  }
}

/** Iterations with Cauchy weights, and of rejection at most. */
const cauchyIterations = 5;
const rejectionIterations = 12;

/**
 * Weighted fit with outliers rejected. When a plain fit leaves pairs beyond the limit, a few iterations with Cauchy
 * weights find what the majority agrees on, then pairs beyond the limit go until the set stands still. Weighted
 * distances are in units of the median weight, so they stay pixels.
 *
 * @param start first weights of the pairs, called for only when a plain fit leaves outliers
 * @returns null when the points do not determine the map, or no majority agrees
 */
export function fitRobustly(
  family: MapFamily,
  points: PointColumns,
  weights: Float64Array,
  falseRejectionShare: number,
  start: () => Float64Array,
): RobustMap | null {
  const { n } = points;
  const plain = family.fit(points, weights);
  if (plain === null) return null;
  let transform = plain;
  const kept = new Uint8Array(n).fill(1);
  const minimum = Math.max(family.parameters / 2, 2);
  if (!(falseRejectionShare > 0) || n < minimum + 2) return { family, transform, kept };
  const limit = Math.sqrt(-2 * Math.log(falseRejectionShare));
  const residuals = new Residuals(points, weights, minimum);
  const r = residuals.distance;
  const plainSigma = residuals.measure(transform);
  if (r.every((each) => each <= limit * plainSigma)) return { family, transform, kept };

  const used = new Float64Array(n);
  transform = family.fit(points, start()) ?? transform;
  for (let iteration = 0; iteration < cauchyIterations; iteration++) {
    const sigma = residuals.measure(transform);
    for (let i = 0; i < n; i++) used[i] = weights[i] / (1 + (r[i] / (2 * sigma)) ** 2);
    transform = family.fit(points, used) ?? transform;
  }
  for (let iteration = 0; iteration < rejectionIterations; iteration++) {
    const sigma = residuals.measure(transform);
    let changed = false;
    let count = 0;
    for (let i = 0; i < n; i++) {
      const keep = r[i] <= limit * sigma ? 1 : 0;
      changed = changed || keep !== kept[i];
      kept[i] = keep;
      count += keep;
      used[i] = keep ? weights[i] : 0;
    }
    // what only half of the pairs agree on is not a majority
    if (count < minimum || 2 * count <= n) return null;
    const next = family.fit(points, used);
    if (next === null) return null;
    transform = next;
    if (!changed && iteration > 0) break;
  }
  return { family, transform, kept };
}

/** Weighted squares of the distances of the pairs kept. */
function weightedSquares(transform: Transform, points: PointColumns, weights: Float64Array, kept: Uint8Array): number {
  const r = new Float64Array(points.n);
  distances(transform, points, r);
  let sum = 0;
  for (let i = 0; i < points.n; i++) if (kept[i]) sum += weights[i] * r[i] * r[i];
  return sum;
}

/** Whether the supple fit lowers the squares of the pairs it keeps by more than chance would (F-test). */
export function explainsMore(
  supple: RobustMap,
  stiff: RobustMap,
  points: PointColumns,
  weights: Float64Array,
  significance: number,
): boolean {
  const common = weights.map((each, i) => supple.kept[i] ? each : 0);
  const count = supple.kept.reduce((a, b) => a + b, 0);
  const again = stiff.family.fit(points, common) ?? stiff.transform;
  const before = weightedSquares(again, points, weights, supple.kept);
  const after = weightedSquares(supple.transform, points, weights, supple.kept);
  const d1 = supple.family.parameters - stiff.family.parameters;
  const d2 = 2 * count - supple.family.parameters;
  const negligible = Math.sqrt(before / common.reduce((a, b) => a + b, 0)) <= exactPixels;
  if (d2 <= 0 || negligible || !(before > after)) return false;
  return fTail((before - after) / d1 / (after / d2), d1, d2) < significance;
}
