/** Maps with a straight-line part fitted to pairs of points: shift, similarity, affine, homography. */
import { type Matrix3, multiplyMatrix, type Transform } from "../core/transform.ts";
import { leastSquares } from "../stats/least_squares.ts";

/** Pairs of points as columns. */
export interface PointColumns {
  /** Number of pairs. */
  readonly n: number;
  /** Source columns, pixels. */
  readonly x: Float64Array;
  /** Source rows, pixels. */
  readonly y: Float64Array;
  /** Reference columns, pixels. */
  readonly u: Float64Array;
  /** Reference rows, pixels. */
  readonly v: Float64Array;
}

/** Weighted mean of the differences. */
export function fitShift(points: PointColumns, weights: Float64Array): Transform {
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

/** Least-squares similarity in closed form (Umeyama 1991, IEEE PAMI 13, 376, in complex numbers). */
export function fitSimilarity(points: PointColumns, weights: Float64Array, mirror: boolean): Transform | null {
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

/** Affine map by orthogonal least squares in normalised coordinates. */
export function fitAffine(points: PointColumns, weights: Float64Array): Transform | null {
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

/** Pairs of points in coordinates with their centre at 0 and a mean distance of √2 from it (Hartley 1997). */
interface NormalisedPoints {
  readonly n: number;
  readonly p: Float64Array;
  readonly q: Float64Array;
  readonly s: Float64Array;
  readonly t: Float64Array;
  readonly weights: Float64Array;
}

/** Weighted squares of the distances that a homography leaves, in normalised reference coordinates. */
function homographySquares(h: Float64Array, points: NormalisedPoints): number {
  const { n, p, q, s, t, weights } = points;
  let sum = 0;
  for (let i = 0; i < n; i++) {
    const d = h[6] * p[i] + h[7] * q[i] + 1;
    const ex = (h[0] * p[i] + h[1] * q[i] + h[2]) / d - s[i];
    const ey = (h[3] * p[i] + h[4] * q[i] + h[5]) / d - t[i];
    sum += weights[i] * (ex * ex + ey * ey);
  }
  return sum;
}

/**
 * One linear step: without `h` the equations of the direct method, which give the coefficients themselves, else the
 * Gauss-Newton step from `h`; null when the points do not determine it.
 */
function homographyStep(h: Float64Array | null, points: NormalisedPoints): Float64Array | null {
  const { n, p, q, s, t, weights } = points;
  const design = new Float64Array(n * 2 * 8);
  const right = new Float64Array(n * 2);
  for (let i = 0; i < n; i++) {
    const root = Math.sqrt(weights[i]);
    const at = i * 16;
    const d = h === null ? 1 : h[6] * p[i] + h[7] * q[i] + 1;
    const f = root / d;
    const X = h === null ? s[i] : (h[0] * p[i] + h[1] * q[i] + h[2]) / d;
    const Y = h === null ? t[i] : (h[3] * p[i] + h[4] * q[i] + h[5]) / d;
    design.set([f * p[i], f * q[i], f, 0, 0, 0, -f * p[i] * X, -f * q[i] * X], at);
    design.set([0, 0, 0, f * p[i], f * q[i], f, -f * p[i] * Y, -f * q[i] * Y], at + 8);
    right[i * 2] = root * (h === null ? s[i] : s[i] - X);
    right[i * 2 + 1] = root * (h === null ? t[i] : t[i] - Y);
  }
  return leastSquares(design, right, n * 2, 8, 1);
}

/** Gauss-Newton steps at most; two or three are enough for frames of one sky. */
const maximumIterations = 20;

/**
 * Homography: the linear equations of the direct method with h22 = 1 in normalised coordinates (Hartley 1997, IEEE PAMI
 * 19, 580), then Gauss-Newton on the true distances. h22 = 1 is safe for frames of one sky, where the denominator stays
 * near 1.
 */
export function fitHomography(points: PointColumns, weights: Float64Array): Transform | null {
  const { n, x, y, u, v } = points;
  const [mx, my, k] = normaliser(n, x, y, weights);
  const [mu, mv, l] = normaliser(n, u, v, weights);
  const normalised: NormalisedPoints = {
    n,
    p: x.map((each) => (each - mx) * k),
    q: y.map((each) => (each - my) * k),
    s: u.map((each) => (each - mu) * l),
    t: v.map((each) => (each - mv) * l),
    weights,
  };
  let h = homographyStep(null, normalised);
  if (h === null) return null;
  for (let iteration = 0; iteration < maximumIterations; iteration++) {
    const step: Float64Array | null = homographyStep(h, normalised);
    if (step === null) return null;
    const next: Float64Array = h.map((each, i) => each + step[i]);
    if (!(homographySquares(next, normalised) <= homographySquares(h, normalised))) break;
    h = next;
    if (step.every((each) => Math.abs(each) < 1e-14)) break;
  }
  const inner: Matrix3 = [h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], 1];
  const back: Matrix3 = [1 / l, 0, mu, 0, 1 / l, mv, 0, 0, 1];
  const product = multiplyMatrix(multiplyMatrix(back, inner), [k, 0, -k * mx, 0, k, -k * my, 0, 0, 1]);
  if (!(Math.abs(product[8]) > 1e-12)) return null;
  return { kind: "homography", matrix: product.map((each) => each / product[8]) as unknown as Matrix3 };
}
