/** A star fitted to its samples with the frame's profile held: its height alone, or height, place and ellipse. */
import type { Sampling } from "../core/sampling.ts";
import { solveSymmetric } from "../stats/least_squares.ts";
import { levelAt, type PlacedStar, type StarModel } from "./star_model.ts";

/** Most steps of {@linkcode fitStar}; stars of signal-to-noise ratio 20 take four. */
const maximumIterations = 25;
/** Parameters of {@linkcode fitStar}. */
const parameterCount = 6;
/** Fewest samples that can tell so many. */
const minimumSamples = 9;
/** Area of the fitted ellipse over that of the start must stay within these, as squares. */
const minimumAreaRatio2 = 0.01;
const maximumAreaRatio2 = 100;
/** Damping at which the fit gives up. */
const maximumDamping = 1e6;

/** What a fit rests on beside the samples. */
export interface FitConditions {
  /** Taken off each sample. */
  readonly background: number;
  /** Standard deviation of a sample. */
  readonly noise: number;
  /** u² within which samples are fitted. */
  readonly reach: number;
}

/** A star as {@linkcode fitStar} found it. */
export interface FittedStar extends PlacedStar {
  /**
   * Variance of either component of its shape, (xx − yy) / (xx + yy) and 2 xy / (xx + yy), by the noise of the pixels.
   */
  readonly shapeVariance: number;
}

/** Height of a star, all else held, that fits the pixels within u² = `reach` best. */
export function fitHeight(
  { data, width, height, parity }: Sampling,
  model: StarModel,
  star: PlacedStar,
  background: number,
  reach: number,
): number {
  const reachX = Math.sqrt(reach * star.xx);
  const reachY = Math.sqrt(reach * star.yy);
  const unit = { ...star, height: 1 };
  let products = 0;
  let squares = 0;
  for (let y = Math.max(0, Math.ceil(star.y - reachY)); y <= Math.min(height - 1, star.y + reachY); y++) {
    for (let x = Math.max(0, Math.ceil(star.x - reachX)); x <= Math.min(width - 1, star.x + reachX); x++) {
      const v = data[y * width + x] - background;
      if (v !== v || (parity !== -1 && ((x + y) & 1) !== parity)) continue;
      const p = levelAt(model, unit, x, y);
      products += p * v;
      squares += p * p;
    }
  }
  return squares > 0 ? products / squares : star.height;
}

/** Samples of a star, background taken off. */
interface StarSamples {
  readonly xs: readonly number[];
  readonly ys: readonly number[];
  readonly values: readonly number[];
}

/** The known samples within u² = `reach` of a star. */
function samplesOf(
  { data, width, height, parity }: Sampling,
  star: PlacedStar,
  { background, reach }: FitConditions,
): StarSamples {
  const { xx, xy, yy } = star;
  const det = xx * yy - xy * xy;
  const reachY = Math.sqrt(reach * yy);
  const step = parity === -1 ? 1 : 2;
  const xs: number[] = [];
  const ys: number[] = [];
  const values: number[] = [];
  for (let y = Math.max(0, Math.ceil(star.y - reachY)); y <= Math.min(height - 1, star.y + reachY); y++) {
    const dy = y - star.y;
    const middle = star.x + xy / yy * dy;
    const half = Math.sqrt(Math.max(0, reach - dy * dy / yy) * det / yy);
    let x = Math.max(0, Math.ceil(middle - half));
    if (parity !== -1 && ((x + y) & 1) !== parity) x++;
    for (; x <= Math.min(width - 1, middle + half); x += step) {
      const v = data[y * width + x] - background;
      if (v !== v) continue;
      xs.push(x);
      ys.push(y);
      values.push(v);
    }
  }
  return { xs, ys, values };
}

/** Normal equations of a step. */
interface NormalEquations {
  readonly matrix: Float64Array;
  readonly right: Float64Array;
}

/**
 * Sum of squared residuals at parameters: height, place, and the inverse of the ellipse in steps of the table,
 * t = a dx² + 2 b dx dy + c dy².
 *
 * @param equations filled, if given, with the normal equations there
 */
function squaredResiduals(
  { xs, ys, values }: StarSamples,
  { table }: StarModel,
  [height, x0, y0, a, b, c]: readonly number[],
  equations: NormalEquations | null,
): number {
  const last = table.length - 2;
  const gradient = new Float64Array(parameterCount);
  equations?.matrix.fill(0);
  equations?.right.fill(0);
  let sum = 0;
  for (let i = 0; i < xs.length; i++) {
    const dx = xs[i] - x0;
    const dy = ys[i] - y0;
    const t = a * dx * dx + 2 * b * dx * dy + c * dy * dy;
    const k = Math.min(last, t | 0);
    const slope = t > last ? 0 : table[k + 1] - table[k];
    const model = t > last ? 0 : table[k] + (t - k) * slope;
    const residual = values[i] - height * model;
    sum += residual * residual;
    if (equations === null) continue;
    const fall = height * slope;
    gradient[0] = model;
    gradient[1] = -fall * 2 * (a * dx + b * dy);
    gradient[2] = -fall * 2 * (b * dx + c * dy);
    gradient[3] = fall * dx * dx;
    gradient[4] = fall * 2 * dx * dy;
    gradient[5] = fall * dy * dy;
    addEquation(equations, gradient, residual);
  }
  if (equations !== null) mirror(equations.matrix);
  return sum;
}

/** Add a sample's part to the right side and the lower half of the matrix. */
function addEquation({ matrix, right }: NormalEquations, gradient: Float64Array, residual: number): void {
  for (let j = 0; j < parameterCount; j++) {
    right[j] += gradient[j] * residual;
    for (let l = 0; l <= j; l++) matrix[parameterCount * j + l] += gradient[j] * gradient[l];
  }
}

/** Fill the upper half of a symmetric matrix from the lower. */
function mirror(matrix: Float64Array): void {
  for (let j = 0; j < parameterCount; j++) {
    for (let l = 0; l < j; l++) matrix[parameterCount * l + j] = matrix[parameterCount * j + l];
  }
}

/**
 * Variance of either shape component by noise: e₁ = (c − a) / (a + c), e₂ = −2 b / (a + c); null if it is not known.
 */
function shapeVarianceOf(
  { matrix }: NormalEquations,
  [, , , a, b, c]: readonly number[],
  noise: number,
): number | null {
  const sum2 = (a + c) ** 2;
  const slopes = [[-2 * c / sum2, 0, 2 * a / sum2], [2 * b / sum2, -2 / (a + c), 2 * b / sum2]];
  let variance = 0;
  for (const each of slopes) {
    const solved = solveSymmetric(matrix.slice(), Float64Array.from([0, 0, 0, ...each]));
    if (solved === null) return null;
    variance += (each[0] * solved[3] + each[1] * solved[4] + each[2] * solved[5]) * noise * noise / 2;
  }
  return variance;
}

/**
 * Damped least squares from a start (Levenberg 1944, Q. Appl. Math. 2, 164; Marquardt 1963, J. SIAM 11, 431).
 *
 * @param stays whether parameters may be gone on with
 * @returns parameters at rest, the equations filled there; null if they tell too little
 */
function minimise(
  cost: (parameters: readonly number[], equations: NormalEquations | null) => number,
  start: readonly number[],
  equations: NormalEquations,
  stays: (parameters: readonly number[]) => boolean,
  noise: number,
): readonly number[] | null {
  let parameters = start;
  let damping = 1e-3;
  let now = cost(parameters, equations);
  for (let iteration = 0; iteration < maximumIterations; iteration++) {
    const damped = equations.matrix.slice();
    for (let j = 0; j < parameterCount; j++) damped[(parameterCount + 1) * j] *= 1 + damping;
    const change = solveSymmetric(damped, equations.right);
    if (change === null) return null;
    const next = parameters.map((each, j) => each + change[j]);
    const then = stays(next) ? cost(next, null) : Infinity;
    if (!(then <= now)) {
      damping *= 10;
      if (damping > maximumDamping) break;
      continue;
    }
    const settled = now - then < 1e-4 * noise * noise;
    parameters = next;
    now = cost(parameters, equations);
    damping = Math.max(1e-7, damping / 10);
    if (settled) break;
  }
  return parameters;
}

/**
 * Fit height, place and ellipse of a star, the profile held, to the pixels within u² = `reach` of its start. Unlike
 * moments it needs no sum over pixels to stand for an integral, however coarse they are. Null if it does not come to
 * rest near its start or the pixels do not tell six numbers.
 */
export function fitStar(
  sampling: Sampling,
  model: StarModel,
  start: PlacedStar,
  conditions: FitConditions,
): FittedStar | null {
  const { scale } = model;
  const { xx, xy, yy } = start;
  const det = xx * yy - xy * xy;
  const samples = samplesOf(sampling, start, conditions);
  if (samples.xs.length < minimumSamples) return null;

  const equations: NormalEquations = {
    matrix: new Float64Array(parameterCount * parameterCount),
    right: new Float64Array(parameterCount),
  };
  // The ellipse stays one, and no wider or narrower than ten times in area.
  const stays = ([height, , , a, b, c]: readonly number[]) => {
    const area = (a * c - b * b) * det / (scale * scale);
    return height > 0 && a > 0 && area > minimumAreaRatio2 && area < maximumAreaRatio2;
  };
  const fitted = minimise(
    (parameters, filled) => squaredResiduals(samples, model, parameters, filled),
    [start.height, start.x, start.y, scale * yy / det, -scale * xy / det, scale * xx / det],
    equations,
    stays,
    conditions.noise,
  );
  if (fitted === null) return null;

  const [height, x, y, a, b, c] = fitted;
  const inverse = a * c - b * b;
  if (!((x - start.x) ** 2 + (y - start.y) ** 2 < Math.max(2, Math.sqrt(det)))) return null;
  const shapeVariance = shapeVarianceOf(equations, fitted, conditions.noise);
  if (shapeVariance === null) return null;
  return {
    x,
    y,
    height,
    xx: scale * c / inverse,
    xy: -scale * b / inverse,
    yy: scale * a / inverse,
    shapeVariance,
  };
}
