/**
 * A star as the frame's profile and an ellipse make it: drawing it, and fitting place and light to what is left of a
 * frame.
 */
import { powPortable } from "../kernels/elementary.ts";
import { solveSymmetric } from "../stats/least_squares.ts";
import type { MoffatProfile } from "./moffat.ts";
import type { Ellipse } from "./moments.ts";
import type { Sampling } from "../core/sampling.ts";

/** Steps of the table a unit of u² / α². */
const STEPS = 64;
/** The table ends at this u² / α²: a profile of beta 2.5 has fallen to 2 · 10⁻⁶ there. */
const END = 196;

/** Heights of a frame's mean star over u², the squared radius in units of the star's own Gaussian ellipse. */
export interface StarModel {
  /** Profile tabulated. */
  readonly moffat: MoffatProfile;
  /** Heights at steps of 1 / `scale` in u². */
  readonly table: Float32Array;
  /** Entries a unit of u². */
  readonly scale: number;
}

/** Place, light and ellipse of a star: what the model needs to know. */
export interface Placed extends Ellipse {
  /** Centre, column. */
  x: number;
  /** Centre, row. */
  y: number;
  /** Height of its matched Gaussian. */
  height: number;
}

/** Tabulate a profile. */
export function starModel(moffat: MoffatProfile): StarModel {
  const table = new Float32Array(END * STEPS + 2);
  for (let i = 0; i < table.length; i++) table[i] = moffat.height * powPortable(1 + i / STEPS, -moffat.beta);
  return { moffat, table, scale: STEPS / moffat.alpha ** 2 };
}

/** u² at which a star of a height has fallen to a level, at most where the table ends; 0 if it never reaches it. */
export function reachOf({ moffat, table, scale }: StarModel, height: number, level: number): number {
  const fall = moffat.height * Math.abs(height) / level;
  if (!(fall > 1)) return 0;
  return Math.min((table.length - 2) / scale, moffat.alpha ** 2 * (fall ** (1 / moffat.beta) - 1));
}

/** Add `amount` times a star's light to a plane, out to u² = `reach`. */
export function addStar(
  plane: Float32Array,
  width: number,
  height: number,
  { table, scale }: StarModel,
  star: Placed,
  amount: number,
  reach: number,
): void {
  const { x: x0, y: y0, xx, xy, yy } = star;
  const det = xx * yy - xy * xy;
  const kxx = scale * yy / det;
  const kxy = -2 * scale * xy / det;
  const kyy = scale * xx / det;
  const most = reach * scale;
  const ry = Math.sqrt(reach * yy);
  const peak = amount * star.height;
  for (let y = Math.max(0, Math.ceil(y0 - ry)), end = Math.min(height - 1, Math.floor(y0 + ry)); y <= end; y++) {
    const dy = y - y0;
    const middle = x0 + xy / yy * dy;
    const half = Math.sqrt(Math.max(0, reach - dy * dy / yy) * det / yy);
    const c = kyy * dy * dy;
    const b = kxy * dy;
    const right = Math.min(width - 1, Math.floor(middle + half));
    for (let x = Math.max(0, Math.ceil(middle - half)), i = y * width + x; x <= right; x++, i++) {
      const dx = x - x0;
      const t = (kxx * dx + b) * dx + c;
      if (t >= most) continue;
      const k = t | 0;
      const low = table[k];
      plane[i] += peak * (low + (t - k) * (table[k + 1] - low));
    }
  }
}

/** Light of a star at a place. */
export function lightAt({ table, scale }: StarModel, star: Placed, x: number, y: number): number {
  const { xx, xy, yy } = star;
  const det = xx * yy - xy * xy;
  const dx = x - star.x;
  const dy = y - star.y;
  const t = scale * (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / det;
  const k = t | 0;
  return t >= table.length - 1 ? 0 : star.height * (table[k] + (t - k) * (table[k + 1] - table[k]));
}

/** What one step of {@linkcode stepStar} asks for. */
export interface StarStep {
  /** Change of the height. */
  height: number;
  /** Change of the column. */
  x: number;
  /** Change of the row. */
  y: number;
  /** Σ p² of the pixels used: a height is known to noise / √ of it. */
  squares: number;
}

/**
 * Least squares, linearised (Gauss-Newton): the changes of height and place that explain best what a plane has left,
 * all stars subtracted, within u² = `reach` of one. The place is held when `place` is false or the pixels do not tell
 * it.
 */
export function stepStar(
  rest: Sampling,
  { table, scale }: StarModel,
  star: Placed,
  reach: number,
  place: boolean,
): StarStep {
  const { data, width, height, parity } = rest;
  const { x: x0, y: y0, xx, xy, yy } = star;
  const det = xx * yy - xy * xy;
  const kxx = scale * yy / det;
  const kxy = -2 * scale * xy / det;
  const kyy = scale * xx / det;
  const most = reach * scale;
  const ry = Math.sqrt(reach * yy);
  const step = parity === -1 ? 1 : 2;
  let pp = 0;
  let pa = 0;
  let pb = 0;
  let aa = 0;
  let ab = 0;
  let bb = 0;
  let pr = 0;
  let ar = 0;
  let br = 0;
  for (let y = Math.max(0, Math.ceil(y0 - ry)), end = Math.min(height - 1, Math.floor(y0 + ry)); y <= end; y++) {
    const dy = y - y0;
    const middle = x0 + xy / yy * dy;
    const half = Math.sqrt(Math.max(0, reach - dy * dy / yy) * det / yy);
    const c = kyy * dy * dy;
    const b = kxy * dy;
    const right = Math.min(width - 1, Math.floor(middle + half));
    let x = Math.max(0, Math.ceil(middle - half));
    if (parity !== -1 && ((x + y) & 1) !== parity) x++;
    for (let i = y * width + x; x <= right; x += step, i += step) {
      const dx = x - x0;
      const t = (kxx * dx + b) * dx + c;
      const r = data[i];
      if (t >= most || r !== r) continue;
      const k = t | 0;
      const slope = table[k + 1] - table[k];
      const p = table[k] + (t - k) * slope;
      const ga = -slope * (2 * kxx * dx + b);
      const gb = -slope * (kxy * dx + 2 * kyy * dy);
      pp += p * p;
      pa += p * ga;
      pb += p * gb;
      aa += ga * ga;
      ab += ga * gb;
      bb += gb * gb;
      pr += p * r;
      ar += ga * r;
      br += gb * r;
    }
  }
  const still = { height: pp > 0 ? pr / pp : 0, x: 0, y: 0, squares: pp };
  if (!place || !(pp > 0) || !(star.height > 0)) return still;
  // Light taken out, two by two for the place.
  const qaa = aa - pa * pa / pp;
  const qab = ab - pa * pb / pp;
  const qbb = bb - pb * pb / pp;
  const qa = ar - pa * pr / pp;
  const qb = br - pb * pr / pp;
  const q = qaa * qbb - qab * qab;
  if (!(q > 1e-3 * aa * bb)) return still;
  const a = (qbb * qa - qab * qb) / q;
  const b = (qaa * qb - qab * qa) / q;
  return { height: (pr - a * pa - b * pb) / pp, x: a / star.height, y: b / star.height, squares: pp };
}

/** Height of a star, all else held, that fits the pixels within u² = `reach` best. */
export function fitHeight(
  { data, width, height, parity }: Sampling,
  model: StarModel,
  star: Placed,
  background: number,
  reach: number,
): number {
  const rx = Math.sqrt(reach * star.xx);
  const ry = Math.sqrt(reach * star.yy);
  const unit = { ...star, height: 1 };
  let light = 0;
  let squares = 0;
  for (let y = Math.max(0, Math.ceil(star.y - ry)); y <= Math.min(height - 1, star.y + ry); y++) {
    for (let x = Math.max(0, Math.ceil(star.x - rx)); x <= Math.min(width - 1, star.x + rx); x++) {
      const v = data[y * width + x] - background;
      if (v !== v || (parity !== -1 && ((x + y) & 1) !== parity)) continue;
      const p = lightAt(model, unit, x, y);
      light += p * v;
      squares += p * p;
    }
  }
  return squares > 0 ? light / squares : star.height;
}

/** A star as {@linkcode fitStar} found it. */
export interface FittedStar extends Placed {
  /**
   * Variance of either component of its shape, (xx − yy) / (xx + yy) and 2 xy / (xx + yy), by the noise of the pixels.
   */
  readonly shapeVariance: number;
}

/** Most steps of {@linkcode fitStar}; stars of signal-to-noise ratio 20 take four. */
const FIT_ROUNDS = 25;

/**
 * Fit height, place and ellipse of a star, the profile held, to the pixels within u² = `reach` of its start: damped
 * least squares (Levenberg 1944, Q. Appl. Math. 2, 164; Marquardt 1963, J. SIAM 11, 431). Unlike moments it needs no
 * sum over pixels to stand for an integral, however coarse they are. Null if it does not come to rest near its start
 * or the pixels do not tell six numbers.
 *
 * @param background taken off each sample
 * @param noise standard deviation of a sample
 */
export function fitStar(
  { data, width, height, parity }: Sampling,
  { table, scale }: StarModel,
  start: Placed,
  background: number,
  noise: number,
  reach: number,
): FittedStar | null {
  const det = start.xx * start.yy - start.xy * start.xy;
  const ry = Math.sqrt(reach * start.yy);
  const step = parity === -1 ? 1 : 2;
  const xs: number[] = [];
  const ys: number[] = [];
  const values: number[] = [];
  for (let y = Math.max(0, Math.ceil(start.y - ry)); y <= Math.min(height - 1, start.y + ry); y++) {
    const dy = y - start.y;
    const middle = start.x + start.xy / start.yy * dy;
    const half = Math.sqrt(Math.max(0, reach - dy * dy / start.yy) * det / start.yy);
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
  const n = xs.length;
  if (n < 9) return null;
  // Height, place, and the inverse of the ellipse in steps of the table: t = a dx² + 2 b dx dy + c dy².
  let p = [start.height, start.x, start.y, scale * start.yy / det, -scale * start.xy / det, scale * start.xx / det];
  const normal = new Float64Array(36);
  const right = new Float64Array(6);
  const gradient = new Float64Array(6);
  const last = table.length - 2;
  /** Sum of squares; with `fill` the normal equations too. */
  const costOf = (q: readonly number[], fill: boolean): number => {
    if (fill) {
      normal.fill(0);
      right.fill(0);
    }
    let sum = 0;
    for (let i = 0; i < n; i++) {
      const dx = xs[i] - q[1];
      const dy = ys[i] - q[2];
      const t = q[3] * dx * dx + 2 * q[4] * dx * dy + q[5] * dy * dy;
      const k = Math.min(last, t | 0);
      const slope = t > last ? 0 : table[k + 1] - table[k];
      const m = t > last ? 0 : table[k] + (t - k) * slope;
      const r = values[i] - q[0] * m;
      sum += r * r;
      if (!fill) continue;
      const fall = q[0] * slope;
      gradient[0] = m;
      gradient[1] = -fall * 2 * (q[3] * dx + q[4] * dy);
      gradient[2] = -fall * 2 * (q[4] * dx + q[5] * dy);
      gradient[3] = fall * dx * dx;
      gradient[4] = fall * 2 * dx * dy;
      gradient[5] = fall * dy * dy;
      for (let j = 0; j < 6; j++) {
        right[j] += gradient[j] * r;
        for (let l = 0; l <= j; l++) normal[6 * j + l] += gradient[j] * gradient[l];
      }
    }
    if (fill) { for (let j = 0; j < 6; j++) for (let l = 0; l < j; l++) normal[6 * l + j] = normal[6 * j + l]; }
    return sum;
  };
  let damping = 1e-3;
  let now = costOf(p, true);
  for (let round = 0; round < FIT_ROUNDS; round++) {
    const damped = normal.slice();
    for (let j = 0; j < 6; j++) damped[7 * j] *= 1 + damping;
    const change = solveSymmetric(damped, right);
    if (change === null) return null;
    const next = p.map((each, j) => each + change[j]);
    // The ellipse stays one, and no wider or narrower than ten times in area.
    const area = (next[3] * next[5] - next[4] * next[4]) * det / (scale * scale);
    const then = next[0] > 0 && next[3] > 0 && area > 0.01 && area < 100 ? costOf(next, false) : Infinity;
    if (!(then <= now)) {
      damping *= 10;
      if (damping > 1e6) break;
      continue;
    }
    const settled = now - then < 1e-4 * noise * noise;
    p = next;
    now = costOf(p, true);
    damping = Math.max(1e-7, damping / 10);
    if (settled) break;
  }
  const [peak, x, y, a, b, c] = p;
  const inverse = a * c - b * b;
  if (!((x - start.x) ** 2 + (y - start.y) ** 2 < Math.max(2, Math.sqrt(det)))) return null;
  // The shape's noise: e₁ = (c − a) / (a + c), e₂ = −2 b / (a + c).
  const sum2 = (a + c) ** 2;
  const slopes = [[-2 * c / sum2, 0, 2 * a / sum2], [2 * b / sum2, -2 / (a + c), 2 * b / sum2]];
  let variance = 0;
  for (const each of slopes) {
    const solved = solveSymmetric(normal.slice(), Float64Array.from([0, 0, 0, ...each]));
    if (solved === null) return null;
    variance += (each[0] * solved[3] + each[1] * solved[4] + each[2] * solved[5]) * noise * noise / 2;
  }
  return {
    x,
    y,
    height: peak,
    xx: scale * c / inverse,
    xy: -scale * b / inverse,
    yy: scale * a / inverse,
    shapeVariance: variance,
  };
}
