/** A star as the frame's profile and an ellipse make it: drawing it, and fitting place and light to what is left of a frame. */
import { powPortable } from "../kernels/elementary.ts";
import type { MoffatProfile } from "./moffat.ts";
import type { Ellipse } from "./moments.ts";
import type { Sampling } from "./sampling.ts";

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
  const { x: x0, y: y0, xx, xy, yy } = star, det = xx * yy - xy * xy;
  const kxx = scale * yy / det, kxy = -2 * scale * xy / det, kyy = scale * xx / det;
  const most = reach * scale, ry = Math.sqrt(reach * yy), peak = amount * star.height;
  for (let y = Math.max(0, Math.ceil(y0 - ry)), end = Math.min(height - 1, Math.floor(y0 + ry)); y <= end; y++) {
    const dy = y - y0, middle = x0 + xy / yy * dy, half = Math.sqrt(Math.max(0, reach - dy * dy / yy) * det / yy);
    const c = kyy * dy * dy, b = kxy * dy, right = Math.min(width - 1, Math.floor(middle + half));
    for (let x = Math.max(0, Math.ceil(middle - half)), i = y * width + x; x <= right; x++, i++) {
      const dx = x - x0, t = (kxx * dx + b) * dx + c;
      if (t >= most) continue;
      const k = t | 0, low = table[k];
      plane[i] += peak * (low + (t - k) * (table[k + 1] - low));
    }
  }
}

/** Light of a star at a place. */
export function lightAt({ table, scale }: StarModel, star: Placed, x: number, y: number): number {
  const { xx, xy, yy } = star, det = xx * yy - xy * xy, dx = x - star.x, dy = y - star.y;
  const t = scale * (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / det, k = t | 0;
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
 * Least squares, linearised (Gauss-Newton): the changes of height and place that explain best what a plane has left, all stars
 * subtracted, within u² = `reach` of one. The place is held when `place` is false or the pixels do not tell it.
 */
export function stepStar(
  rest: Sampling,
  { table, scale }: StarModel,
  star: Placed,
  reach: number,
  place: boolean,
): StarStep {
  const { data, width, height, parity } = rest, { x: x0, y: y0, xx, xy, yy } = star, det = xx * yy - xy * xy;
  const kxx = scale * yy / det, kxy = -2 * scale * xy / det, kyy = scale * xx / det, most = reach * scale;
  const ry = Math.sqrt(reach * yy), step = parity === -1 ? 1 : 2;
  let pp = 0, pa = 0, pb = 0, aa = 0, ab = 0, bb = 0, pr = 0, ar = 0, br = 0;
  for (let y = Math.max(0, Math.ceil(y0 - ry)), end = Math.min(height - 1, Math.floor(y0 + ry)); y <= end; y++) {
    const dy = y - y0, middle = x0 + xy / yy * dy, half = Math.sqrt(Math.max(0, reach - dy * dy / yy) * det / yy);
    const c = kyy * dy * dy, b = kxy * dy, right = Math.min(width - 1, Math.floor(middle + half));
    let x = Math.max(0, Math.ceil(middle - half));
    if (parity !== -1 && ((x + y) & 1) !== parity) x++;
    for (let i = y * width + x; x <= right; x += step, i += step) {
      const dx = x - x0, t = (kxx * dx + b) * dx + c, r = data[i];
      if (t >= most || r !== r) continue;
      const k = t | 0, slope = table[k + 1] - table[k], p = table[k] + (t - k) * slope;
      const ga = -slope * (2 * kxx * dx + b), gb = -slope * (kxy * dx + 2 * kyy * dy);
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
  const qaa = aa - pa * pa / pp, qab = ab - pa * pb / pp, qbb = bb - pb * pb / pp, qa = ar - pa * pr / pp;
  const qb = br - pb * pr / pp, q = qaa * qbb - qab * qab;
  if (!(q > 1e-3 * aa * bb)) return still;
  const a = (qbb * qa - qab * qb) / q, b = (qaa * qb - qab * qa) / q;
  return { height: (pr - a * pa - b * pb) / pp, x: a / star.height, y: b / star.height, squares: pp };
}
