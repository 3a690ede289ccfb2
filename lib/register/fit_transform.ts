/** The map that carries points of one frame onto those of another, from pairs of points. */
import type { Point } from "../core/geometry.ts";
import { settle } from "../core/options.ts";
import { randomStream } from "../core/random.ts";
import {
  applyTransform,
  type Matrix3,
  multiplyMatrix,
  type PolynomialTransform,
  type Transform,
} from "../core/transform.ts";
import { leastSquares } from "../stats/least_squares.ts";
import { fTail } from "../stats/special_functions.ts";

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

interface Columns {
  readonly n: number;
  readonly x: Float64Array;
  readonly y: Float64Array;
  readonly u: Float64Array;
  readonly v: Float64Array;
}

interface Box {
  readonly x0: number;
  readonly y0: number;
  readonly x1: number;
  readonly y1: number;
}

interface Recipe {
  readonly model: TransformModel;
  readonly degree: number;
  readonly parameters: number;
  readonly fit: (points: Columns, weights: Float64Array) => Transform | null;
}

interface RobustFit {
  readonly recipe: Recipe;
  readonly transform: Transform;
  readonly kept: Uint8Array;
}

/** Below this no residual is an error: pairs made by exact arithmetic differ by rounding only. */
const exactPixels = 1e-6;

function fitShift(points: Columns, weights: Float64Array): Transform {
  const { n, x, y, u, v } = points;
  let sw = 0;
  let dx = 0;
  let dy = 0;
  for (let i = 0; i < n; i++) {
    sw += weights[i];
    dx += weights[i] * (u[i] - x[i]);
    dy += weights[i] * (v[i] - y[i]);
  }
  return { kind: "similarity", matrix: [1, 0, dx / sw, 0, 1, dy / sw, 0, 0, 1] };
}

function fitSimilarity(points: Columns, weights: Float64Array, mirror: boolean): Transform | null {
  const { n, x, y, u, v } = points;
  let sw = 0;
  let mx = 0;
  let my = 0;
  let mu = 0;
  let mv = 0;
  for (let i = 0; i < n; i++) {
    const w = weights[i];
    sw += w;
    mx += w * x[i];
    my += w * y[i];
    mu += w * u[i];
    mv += w * v[i];
  }
  mx /= sw;
  my /= sw;
  mu /= sw;
  mv /= sw;
  // as complex numbers: upright q = a p, mirrored q = a p*; a is the projection, |a|² what it explains
  let norm = 0;
  let re = 0;
  let im = 0;
  let mirroredRe = 0;
  let mirroredIm = 0;
  for (let i = 0; i < n; i++) {
    const w = weights[i];
    const px = x[i] - mx;
    const py = y[i] - my;
    const qx = u[i] - mu;
    const qy = v[i] - mv;
    norm += w * (px * px + py * py);
    re += w * (qx * px + qy * py);
    im += w * (qy * px - qx * py);
    mirroredRe += w * (qx * px - qy * py);
    mirroredIm += w * (qy * px + qx * py);
  }
  if (!(norm > 0)) return null;
  const turned = mirror && mirroredRe ** 2 + mirroredIm ** 2 > re ** 2 + im ** 2;
  const a = (turned ? mirroredRe : re) / norm;
  const b = (turned ? mirroredIm : im) / norm;
  if (!(a * a + b * b > 0)) return null;
  const [m00, m01, m10, m11] = turned ? [a, b, b, -a] : [a, -b, b, a];
  return {
    kind: "similarity",
    matrix: [m00, m01, mu - m00 * mx - m01 * my, m10, m11, mv - m10 * mx - m11 * my, 0, 0, 1],
  };
}

/** Centre and the factor that brings the mean distance from it to √2 (Hartley 1997). */
function normaliser(n: number, x: Float64Array, y: Float64Array, weights: Float64Array): [number, number, number] {
  let sw = 0;
  let mx = 0;
  let my = 0;
  let spread = 0;
  for (let i = 0; i < n; i++) {
    sw += weights[i];
    mx += weights[i] * x[i];
    my += weights[i] * y[i];
  }
  mx /= sw;
  my /= sw;
  for (let i = 0; i < n; i++) spread += weights[i] * Math.hypot(x[i] - mx, y[i] - my);
  return [mx, my, spread > 0 ? Math.SQRT2 * sw / spread : 1];
}

function fitAffine(points: Columns, weights: Float64Array): Transform | null {
  const { n, x, y, u, v } = points;
  const [mx, my, k] = normaliser(n, x, y, weights);
  const design = new Float64Array(n * 3);
  const right = new Float64Array(n * 2);
  for (let i = 0; i < n; i++) {
    const root = Math.sqrt(weights[i]);
    design[i * 3] = root;
    design[i * 3 + 1] = root * (x[i] - mx) * k;
    design[i * 3 + 2] = root * (y[i] - my) * k;
    right[i * 2] = root * u[i];
    right[i * 2 + 1] = root * v[i];
  }
  const c = leastSquares(design, right, n, 3, 2);
  if (c === null) return null;
  const [a, b, d, e] = [c[2] * k, c[4] * k, c[3] * k, c[5] * k];
  return { kind: "affine", matrix: [a, b, c[0] - a * mx - b * my, d, e, c[1] - d * mx - e * my, 0, 0, 1] };
}

/**
 * Homography: the linear equations of the direct method with h22 = 1 in normalised coordinates (Hartley 1997), then
 * Gauss-Newton on the true distances. h22 = 1 is safe for frames of one sky, where the denominator stays near 1.
 */
function fitHomography(points: Columns, weights: Float64Array): Transform | null {
  const { n, x, y, u, v } = points;
  const [mx, my, k] = normaliser(n, x, y, weights);
  const [mu, mv, l] = normaliser(n, u, v, weights);
  const h = new Float64Array(8);
  const residual = (candidate: Float64Array): number => {
    let sum = 0;
    for (let i = 0; i < n; i++) {
      const p = (x[i] - mx) * k;
      const q = (y[i] - my) * k;
      const s = (u[i] - mu) * l;
      const t = (v[i] - mv) * l;
      const d = candidate[6] * p + candidate[7] * q + 1;
      const ex = (candidate[0] * p + candidate[1] * q + candidate[2]) / d - s;
      const ey = (candidate[3] * p + candidate[4] * q + candidate[5]) / d - t;
      sum += weights[i] * (ex * ex + ey * ey);
    }
    return sum;
  };
  for (let round = 0; round <= 20; round++) {
    const design = new Float64Array(n * 2 * 8);
    const right = new Float64Array(n * 2);
    for (let i = 0; i < n; i++) {
      const p = (x[i] - mx) * k;
      const q = (y[i] - my) * k;
      const s = (u[i] - mu) * l;
      const t = (v[i] - mv) * l;
      const root = Math.sqrt(weights[i]);
      const at = i * 16;
      const d = round === 0 ? 1 : h[6] * p + h[7] * q + 1;
      const f = root / d;
      const X = round === 0 ? s : (h[0] * p + h[1] * q + h[2]) / d;
      const Y = round === 0 ? t : (h[3] * p + h[4] * q + h[5]) / d;
      design.set([f * p, f * q, f, 0, 0, 0, -f * p * X, -f * q * X], at);
      design.set([0, 0, 0, f * p, f * q, f, -f * p * Y, -f * q * Y], at + 8);
      right[i * 2] = root * (round === 0 ? s : s - X);
      right[i * 2 + 1] = root * (round === 0 ? t : t - Y);
    }
    const step = leastSquares(design, right, n * 2, 8, 1);
    if (step === null) return null;
    if (round === 0) {
      h.set(step);
      continue;
    }
    const next = h.map((each, i) => each + step[i]);
    if (!(residual(next) <= residual(h))) break;
    h.set(next);
    if (step.every((each) => Math.abs(each) < 1e-14)) break;
  }
  const normalised: Matrix3 = [h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], 1];
  const back: Matrix3 = [1 / l, 0, mu, 0, 1 / l, mv, 0, 0, 1];
  const product = multiplyMatrix(multiplyMatrix(back, normalised), [k, 0, -k * mx, 0, k, -k * my, 0, 0, 1]);
  if (!(Math.abs(product[8]) > 1e-12)) return null;
  return { kind: "homography", matrix: product.map((each) => each / product[8]) as unknown as Matrix3 };
}

type HalfPolynomial = PolynomialTransform["inverse"];

const termCount = (degree: number): number => (degree + 1) * (degree + 2) / 2;

function fitHalf(
  n: number,
  from: readonly [Float64Array, Float64Array],
  to: readonly [Float64Array, Float64Array],
  weights: Float64Array,
  degree: number,
  domain: HalfPolynomial["domain"],
): HalfPolynomial | null {
  const terms = termCount(degree);
  const design = new Float64Array(n * terms);
  const right = new Float64Array(n * 2);
  for (let i = 0; i < n; i++) {
    const root = Math.sqrt(weights[i]);
    const a = (from[0][i] - domain.centreX) / domain.radius;
    const b = (from[1][i] - domain.centreY) / domain.radius;
    let at = i * terms;
    for (let order = 0; order <= degree; order++) {
      for (let j = 0; j <= order; j++) design[at++] = root * a ** (order - j) * b ** j;
    }
    right[i * 2] = root * to[0][i];
    right[i * 2 + 1] = root * to[1][i];
  }
  const c = leastSquares(design, right, n, terms, 2);
  if (c === null) return null;
  const x: number[] = [];
  const y: number[] = [];
  for (let i = 0; i < terms; i++) {
    x.push(c[i * 2]);
    y.push(c[i * 2 + 1]);
  }
  return { degree, domain, x, y };
}

/** Points a side of the grid on which the map back is fitted. */
const inverseGrid = 33;

/** Polynomial without its map back, which {@linkcode withInverse} adds to the one that is kept. */
function fitPolynomial(points: Columns, weights: Float64Array, degree: number, box: Box): Transform | null {
  const { n, x, y, u, v } = points;
  const forward = fitHalf(n, [x, y], [u, v], weights, degree, {
    centreX: (box.x0 + box.x1) / 2,
    centreY: (box.y0 + box.y1) / 2,
    radius: Math.max(box.x1 - box.x0, box.y1 - box.y0, 1) / 2,
  });
  return forward === null ? null : { kind: "polynomial", ...forward, inverse: forward };
}

/**
 * The map back, fitted on a grid over the whole frame; two degrees richer, since the inverse of a polynomial is none.
 *
 * @throws {RangeError} if the polynomial folds the frame so that no map back can be found
 */
function withInverse(transform: PolynomialTransform, box: Box): PolynomialTransform {
  const count = inverseGrid * inverseGrid;
  const gx = new Float64Array(count);
  const gy = new Float64Array(count);
  const hx = new Float64Array(count);
  const hy = new Float64Array(count);
  let x0 = Infinity;
  let x1 = -Infinity;
  let y0 = Infinity;
  let y1 = -Infinity;
  for (let j = 0, at = 0; j < inverseGrid; j++) {
    for (let i = 0; i < inverseGrid; i++, at++) {
      gx[at] = box.x0 + (box.x1 - box.x0) * i / (inverseGrid - 1);
      gy[at] = box.y0 + (box.y1 - box.y0) * j / (inverseGrid - 1);
      const p = applyTransform(transform, gx[at], gy[at]);
      hx[at] = p.x;
      hy[at] = p.y;
      x0 = Math.min(x0, p.x);
      x1 = Math.max(x1, p.x);
      y0 = Math.min(y0, p.y);
      y1 = Math.max(y1, p.y);
    }
  }
  const weights = new Float64Array(count).fill(1);
  const back = fitHalf(count, [hx, hy], [gx, gy], weights, transform.degree + 2, {
    centreX: (x0 + x1) / 2,
    centreY: (y0 + y1) / 2,
    radius: Math.max(x1 - x0, y1 - y0, 1) / 2,
  });
  if (back === null) {
    throw new RangeError(
      "fitTransform: the polynomial must be one-to-one over the frame, but it folds; use a stiffer model",
    );
  }
  return { ...transform, inverse: back };
}

/** Largest distance between a point of the frame and its image carried back, pixels. */
function roundTrip(transform: PolynomialTransform, box: Box): number {
  const back: PolynomialTransform = { kind: "polynomial", ...transform.inverse, inverse: transform.inverse };
  let worst = 0;
  for (let j = 0; j <= 20; j++) {
    for (let i = 0; i <= 20; i++) {
      const x = box.x0 + (box.x1 - box.x0) * i / 20;
      const y = box.y0 + (box.y1 - box.y0) * j / 20;
      const p = applyTransform(transform, x, y);
      const q = applyTransform(back, p.x, p.y);
      worst = Math.max(worst, Math.hypot(q.x - x, q.y - y));
    }
  }
  return worst;
}

function distances(transform: Transform, points: Columns, out: Float64Array): void {
  for (let i = 0; i < points.n; i++) {
    const p = applyTransform(transform, points.x[i], points.y[i]);
    out[i] = Math.hypot(p.x - points.u[i], p.y - points.v[i]);
  }
}

function middle(values: Float64Array): number {
  const sorted = values.slice().sort();
  const n = sorted.length;
  return n % 2 === 1 ? sorted[(n - 1) / 2] : (sorted[n / 2 - 1] + sorted[n / 2]) / 2;
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

/**
 * Weights from the similarity through two pairs that leaves the least median distance (Rousseeuw 1984, JASA 79, 871),
 * out of as many draws as hold a good one with 99.9 % when half of the pairs are wrong (Fischler & Bolles 1981). The
 * draws come from a fixed seed: the same pairs give the same map.
 */
function startWeights(points: Columns, weights: Float64Array, mirror: boolean): Float64Array {
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
    const pick = (a: Float64Array) => Float64Array.of(a[i], a[j]);
    for (const turned of mirror ? [false, true] : [false]) {
      const pair: Columns = { n: 2, x: pick(x), y: pick(turned ? y.map((each) => -each) : y), u: pick(u), v: pick(v) };
      const upright = fitSimilarity(pair, Float64Array.of(1, 1), false);
      if (upright === null || upright.kind === "polynomial") continue;
      const m = upright.matrix;
      const map: Transform = turned
        ? { kind: "similarity", matrix: [m[0], -m[1], m[2], m[3], -m[4], m[5], 0, 0, 1] }
        : upright;
      for (let k = 0, at = 0; k < n; k += every, at++) {
        const p = applyTransform(map, x[k], y[k]);
        score[at] = Math.hypot(p.x - u[k], p.y - v[k]);
      }
      const value = middle(score);
      if (value < least) {
        least = value;
        best = map;
      }
    }
  }
  if (best === null) return weights;
  const r = new Float64Array(n);
  distances(best, points, r);
  const sigma = Math.max(exactPixels, middle(r) / rayleighMedian);
  return weights.map((each, i) => each / (1 + (r[i] / (2 * sigma)) ** 2));
}

/**
 * Weighted fit with outliers rejected. When a plain fit leaves pairs beyond the limit, a few rounds with Cauchy
 * weights find what the majority agrees on, then pairs beyond the limit go until the set stands still. Weighted
 * distances are in units of the median weight, so they stay pixels.
 */
function robustFit(
  recipe: Recipe,
  points: Columns,
  weights: Float64Array,
  falseRejectionShare: number,
  start: () => Float64Array,
): RobustFit | null {
  const { n } = points;
  const plain = recipe.fit(points, weights);
  if (plain === null) return null;
  let transform = plain;
  const kept = new Uint8Array(n).fill(1);
  const least = Math.max(recipe.parameters / 2, 2);
  if (!(falseRejectionShare > 0) || n < least + 2) return { recipe, transform, kept };
  const limit = Math.sqrt(-2 * Math.log(falseRejectionShare));
  const unit = middle(weights);
  const r = new Float64Array(n);
  const used = new Float64Array(n);
  const measure = (map: Transform): number => {
    distances(map, points, r);
    for (let i = 0; i < n; i++) r[i] *= Math.sqrt(weights[i] / unit);
    return Math.max(exactPixels, middle(r) / rayleighMedian * Math.sqrt(n / Math.max(1, n - least)));
  };
  const plainSigma = measure(transform);
  if (r.every((each) => each <= limit * plainSigma)) return { recipe, transform, kept };
  transform = recipe.fit(points, start()) ?? transform;
  for (let round = 0; round < 5; round++) {
    const sigma = measure(transform);
    for (let i = 0; i < n; i++) used[i] = weights[i] / (1 + (r[i] / (2 * sigma)) ** 2);
    transform = recipe.fit(points, used) ?? transform;
  }
  for (let round = 0; round < 12; round++) {
    const sigma = measure(transform);
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
    if (count < least || 2 * count <= n) return null;
    const next = recipe.fit(points, used);
    if (next === null) return null;
    transform = next;
    if (!changed && round > 0) break;
  }
  return { recipe, transform, kept };
}

function weightedSquares(transform: Transform, points: Columns, weights: Float64Array, kept: Uint8Array): number {
  const r = new Float64Array(points.n);
  distances(transform, points, r);
  let sum = 0;
  for (let i = 0; i < points.n; i++) if (kept[i]) sum += weights[i] * r[i] * r[i];
  return sum;
}

/** Whether each ninth of the frame holds at least `least` pairs, so that a supple map cannot run wild in a corner. */
function coversFrame(points: Columns, box: Box, least: number): boolean {
  const counts = new Int32Array(9);
  const cell = (value: number, low: number, high: number) =>
    Math.min(2, Math.max(0, Math.floor(3 * (value - low) / Math.max(high - low, 1e-9))));
  for (let i = 0; i < points.n; i++) {
    counts[cell(points.y[i], box.y0, box.y1) * 3 + cell(points.x[i], box.x0, box.x1)]++;
  }
  return counts.every((each) => each >= least);
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
  const { model, degree, mirror, falseRejectionShare, significance, sourceSize } = used;
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
  const n = pairs.length;
  const points: Columns = {
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
  const box: Box = sourceSize === null
    ? {
      x0: points.x.reduce((a, b) => Math.min(a, b), Infinity),
      y0: points.y.reduce((a, b) => Math.min(a, b), Infinity),
      x1: points.x.reduce((a, b) => Math.max(a, b), -Infinity),
      y1: points.y.reduce((a, b) => Math.max(a, b), -Infinity),
    }
    : { x0: -0.5, y0: -0.5, x1: sourceSize.width - 0.5, y1: sourceSize.height - 0.5 };
  const similarity: Recipe = {
    model: "similarity",
    degree: 1,
    parameters: 4,
    fit: (p, w) => fitSimilarity(p, w, mirror),
  };
  const shift: Recipe = { model: "shift", degree: 0, parameters: 2, fit: fitShift };
  const affine: Recipe = { model: "affine", degree: 1, parameters: 6, fit: fitAffine };
  const homography: Recipe = { model: "homography", degree: 1, parameters: 8, fit: fitHomography };
  const polynomial = (order: number): Recipe => ({
    model: "polynomial",
    degree: order,
    parameters: 2 * termCount(order),
    fit: (p, w) => fitPolynomial(p, w, order, box),
  });
  const notes: string[] = [];
  const wanted = model === "affine"
    ? affine
    : model === "homography"
    ? homography
    : model === "polynomial"
    ? polynomial(degree)
    : model === "shift"
    ? shift
    : similarity;
  if (n < wanted.parameters / 2) {
    throw new RangeError(
      `fitTransform: pairs must be at least ${
        wanted.parameters / 2
      } for the ${wanted.model} map, but got ${n}; use a stiffer model`,
    );
  }
  let started: Float64Array | null = null;
  const start = () => started ??= startWeights(points, weights, mirror);
  /** Whether the supple fit lowers the squares of the pairs it keeps by more than chance would (F-test). */
  const explains = (supple: RobustFit, stiff: RobustFit): boolean => {
    const common = weights.map((each, i) => supple.kept[i] ? each : 0);
    const count = supple.kept.reduce((a, b) => a + b, 0);
    const again = stiff.recipe.fit(points, common) ?? stiff.transform;
    const before = weightedSquares(again, points, weights, supple.kept);
    const after = weightedSquares(supple.transform, points, weights, supple.kept);
    const d1 = supple.recipe.parameters - stiff.recipe.parameters;
    const d2 = 2 * count - supple.recipe.parameters;
    const negligible = Math.sqrt(before / common.reduce((a, b) => a + b, 0)) <= exactPixels;
    if (d2 <= 0 || negligible || !(before > after)) return false;
    return fTail((before - after) / d1 / (after / d2), d1, d2) < significance;
  };
  let best = robustFit(wanted, points, weights, falseRejectionShare, start);
  if (best === null) {
    throw new RangeError(
      `fitTransform: the ${n} pairs must determine the ${wanted.model} map, but they do not (points on one line, or no majority that agrees)`,
    );
  }
  if (model === "automatic") {
    // where nothing turns or scales beyond the noise, the shift alone is the surer map
    const still = robustFit(shift, points, weights, falseRejectionShare, start);
    if (still !== null && n > 2 && !explains(best, still)) best = still;
    for (const recipe of [affine, homography, polynomial(2), polynomial(3)]) {
      // a coefficient asks for three stars, or noise bends the map between and beyond them
      if (n < 3 * recipe.parameters) break;
      if (recipe.degree > 1 && !coversFrame(points, box, recipe.degree)) continue;
      const next = robustFit(recipe, points, weights, falseRejectionShare, start);
      if (next === null) continue;
      if (explains(next, best)) best = next;
    }
  }
  const { kept } = best;
  const transform = best.transform.kind === "polynomial" ? withInverse(best.transform, box) : best.transform;
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
  if (count < n) notes.push(`${n - count} of ${n} pairs were rejected as outliers`);
  if (transform.kind === "polynomial") {
    const worst = roundTrip(transform, box);
    if (worst > 0.01) notes.push(`there and back the polynomial misses by up to ${worst.toFixed(3)} px`);
  }
  return {
    transform,
    model: best.recipe.model,
    parameters: best.recipe.parameters,
    rmsPixels: Math.sqrt(sum / count),
    kept: Array.from(kept, (each) => each === 1),
    residuals,
    notes,
  };
}
