/** A star as the frame's profile and an ellipse make it: drawn, and fitted in small steps to what a frame has left. */
import type { Sampling } from "../core/sampling.ts";
import type { Raster } from "../core/raster.ts";
import { powPortable } from "../kernels/elementary.ts";
import type { Ellipse } from "./ellipse.ts";
import type { MoffatProfile } from "./moffat.ts";

/** Entries of the table a unit of u² / α². */
const tableSteps = 64;
/** The table ends at this u² / α²: a profile of beta 2.5 has fallen to 2 · 10⁻⁶ there. */
const tableEnd = 196;
/** Least part of its curvature that a place must keep once the height is taken out, for the pixels to tell it. */
const minimumPlaceCurvature = 1e-3;

/** Heights of a frame's mean star over u², the squared radius in units of the star's own Gaussian ellipse. */
export interface StarModel {
  /** Profile tabulated. */
  readonly moffat: MoffatProfile;
  /** Heights at steps of 1 / `scale` in u². */
  readonly table: Float32Array;
  /** Entries a unit of u². */
  readonly scale: number;
}

/** Place, height and ellipse of a star: what the model needs to know. */
export interface PlacedStar extends Ellipse {
  /** Centre, column. */
  x: number;
  /** Centre, row. */
  y: number;
  /** Height of its matched Gaussian. */
  height: number;
}

/** Tabulate a profile. */
export function starModel(moffat: MoffatProfile): StarModel {
  const table = new Float32Array(tableEnd * tableSteps + 2);
  for (let i = 0; i < table.length; i++) table[i] = moffat.height * powPortable(1 + i / tableSteps, -moffat.beta);
  return { moffat, table, scale: tableSteps / moffat.alpha ** 2 };
}

/** u² at which a star of a height has fallen to a level, at most where the table ends; 0 if it never reaches it. */
export function reachOf({ moffat, table, scale }: StarModel, height: number, level: number): number {
  const fall = moffat.height * Math.abs(height) / level;
  if (!(fall > 1)) return 0;
  return Math.min((table.length - 2) / scale, moffat.alpha ** 2 * (fall ** (1 / moffat.beta) - 1));
}

/** Level that a star adds at a place. */
export function levelAt({ table, scale }: StarModel, star: PlacedStar, x: number, y: number): number {
  const { xx, xy, yy } = star;
  const det = xx * yy - xy * xy;
  const dx = x - star.x;
  const dy = y - star.y;
  const t = scale * (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / det;
  const k = t | 0;
  return t >= table.length - 1 ? 0 : star.height * (table[k] + (t - k) * (table[k + 1] - table[k]));
}

/** Add `amount` times a star to a plane, out to u² = `reach`. */
export function addStar(plane: Raster, model: StarModel, star: PlacedStar, amount: number, reach: number): void {
  const { data, width, height } = plane;
  const { table, scale } = model;
  const { x: x0, y: y0, xx, xy, yy } = star;
  const det = xx * yy - xy * xy;
  const kxx = scale * yy / det;
  const kxy = -2 * scale * xy / det;
  const kyy = scale * xx / det;
  const limit = reach * scale;
  const reachY = Math.sqrt(reach * yy);
  const peak = amount * star.height;
  const bottom = Math.min(height - 1, Math.floor(y0 + reachY));
  for (let y = Math.max(0, Math.ceil(y0 - reachY)); y <= bottom; y++) {
    const dy = y - y0;
    const middle = x0 + xy / yy * dy;
    const half = Math.sqrt(Math.max(0, reach - dy * dy / yy) * det / yy);
    const c = kyy * dy * dy;
    const b = kxy * dy;
    const right = Math.min(width - 1, Math.floor(middle + half));
    for (let x = Math.max(0, Math.ceil(middle - half)), i = y * width + x; x <= right; x++, i++) {
      const dx = x - x0;
      const t = (kxx * dx + b) * dx + c;
      if (t >= limit) continue;
      const k = t | 0;
      const low = table[k];
      data[i] += peak * (low + (t - k) * (table[k + 1] - low));
    }
  }
}

/** What one step of {@linkcode stepStar} asks for. */
export interface StarStep {
  /** Change of the height. */
  readonly height: number;
  /** Change of the column. */
  readonly x: number;
  /** Change of the row. */
  readonly y: number;
}

/**
 * Sums over the pixels of a star: of its profile p, of the slopes a = −∂p/∂x and b = −∂p/∂y, of the residual r, two at
 * a time.
 */
interface NormalSums {
  readonly pp: number;
  readonly pa: number;
  readonly pb: number;
  readonly aa: number;
  readonly ab: number;
  readonly bb: number;
  readonly pr: number;
  readonly ar: number;
  readonly br: number;
}

/** The sums of a star within u² = `reach`. */
function normalSums(residual: Sampling, { table, scale }: StarModel, star: PlacedStar, reach: number): NormalSums {
  const { data, width, height, parity } = residual;
  const { x: x0, y: y0, xx, xy, yy } = star;
  const det = xx * yy - xy * xy;
  const kxx = scale * yy / det;
  const kxy = -2 * scale * xy / det;
  const kyy = scale * xx / det;
  const limit = reach * scale;
  const reachY = Math.sqrt(reach * yy);
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
  const bottom = Math.min(height - 1, Math.floor(y0 + reachY));
  for (let y = Math.max(0, Math.ceil(y0 - reachY)); y <= bottom; y++) {
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
      if (t >= limit || r !== r) continue;
      const k = t | 0;
      const slope = table[k + 1] - table[k];
      const p = table[k] + (t - k) * slope;
      const slopeX = -slope * (2 * kxx * dx + b);
      const slopeY = -slope * (kxy * dx + 2 * kyy * dy);
      pp += p * p;
      pa += p * slopeX;
      pb += p * slopeY;
      aa += slopeX * slopeX;
      ab += slopeX * slopeY;
      bb += slopeY * slopeY;
      pr += p * r;
      ar += slopeX * r;
      br += slopeY * r;
    }
  }
  return { pp, pa, pb, aa, ab, bb, pr, ar, br };
}

/**
 * Least squares, linearised (Gauss-Newton): the changes of height and place that explain best what a plane has left,
 * all stars subtracted, within u² = `reach` of one.
 *
 * @param free whether the place may move; it is held, too, when the pixels do not tell it
 */
export function stepStar(
  residual: Sampling,
  model: StarModel,
  star: PlacedStar,
  reach: number,
  free: boolean,
): StarStep {
  const { pp, pa, pb, aa, ab, bb, pr, ar, br } = normalSums(residual, model, star, reach);
  const still = { height: pp > 0 ? pr / pp : 0, x: 0, y: 0 };
  if (!free || !(pp > 0) || !(star.height > 0)) return still;

  // The height eliminated, two equations are left for the place.
  const qaa = aa - pa * pa / pp;
  const qab = ab - pa * pb / pp;
  const qbb = bb - pb * pb / pp;
  const qa = ar - pa * pr / pp;
  const qb = br - pb * pr / pp;
  const determinant = qaa * qbb - qab * qab;
  if (!(determinant > minimumPlaceCurvature * aa * bb)) return still;
  const a = (qbb * qa - qab * qb) / determinant;
  const b = (qaa * qb - qab * qa) / determinant;
  return { height: (pr - a * pa - b * pb) / pp, x: a / star.height, y: b / star.height };
}
