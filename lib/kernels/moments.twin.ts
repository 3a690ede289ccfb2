/** The kernels of `src/moments.as.ts` in plain TypeScript; see machine.ts for what a twin is. */
import type { MomentPlane } from "./moments.ts";

import { weighInside } from "./moment_inside.twin.ts";
import {
  across,
  between,
  CUT,
  type Ellipse,
  f,
  falloff,
  type Inverse,
  type Lanes,
  lanes,
  type Sums,
  sumsOf,
  type Weight,
} from "./moment_sums.twin.ts";

/** Most rows of a pass inside. */
const ROWS = 256;
/** Doubles an entry of the list takes. */
const FIELDS = 32;

/** Which pixels a pass may use: the mirror images of the frame's borders as distances, and the window they leave. */
interface Reach {
  readonly x1: number;
  readonly x2: number;
  readonly y1: number;
  readonly y2: number;
  readonly top: number;
  readonly bottom: number;
  readonly first: number;
  readonly last: number;
  readonly slant: number;
  readonly chord: number;
  readonly near: boolean;
}

function reachOf({ width, height }: MomentPlane, { x0, y0, xx, xy, yy }: Weight, even: boolean): Reach {
  const ry = Math.sqrt(CUT * yy);
  const chord = Math.sqrt(CUT * (xx * yy - xy * xy) / yy);
  const x1 = even ? x0 - (width - 0.5) : -1e6;
  const x2 = even ? x0 + 0.5 : 1e6;
  const y1 = even ? y0 - (height - 0.5) : -1e6;
  const y2 = even ? y0 + 0.5 : 1e6;
  return {
    x1,
    x2,
    y1,
    y2,
    top: Math.max(Math.max(0, Math.ceil(y0 - ry)), Math.ceil(y0 + y1 - 0.5)),
    bottom: Math.min(Math.min(height - 1, Math.floor(y0 + ry)), Math.floor(y0 + y2 + 0.5)),
    first: Math.max(0, Math.ceil(x0 + x1 - 0.5)),
    last: Math.min(width - 1, Math.floor(x0 + x2 + 0.5)),
    slant: xy / yy,
    chord,
    near: x1 > -chord - ry || x2 < chord + ry || y1 > -ry || y2 < ry,
  };
}

/** A row of the general pass added to the sums; the highest sample is returned. */
function weighRow(plane: MomentPlane, inverse: Inverse, reach: Reach, y: number, sums: Lanes): number {
  const { data, width, parity } = plane;
  const { x0, y0, ixx, ixy, iyy, sky, straight } = inverse;
  const { x1, x2, y1, y2, first, last, slant, chord, near } = reach;
  const ey = y - y0;
  const middle = straight ? x0 : x0 + slant * ey;
  const left = Math.max(first, Math.ceil(middle - chord));
  const right = Math.min(last, Math.floor(middle + chord));
  if (left > right) return 0;
  const vy = f(ey);
  const kxx = f(ixx);
  const kb = f(2 * ixy * ey);
  const kc = f(iyy * ey * ey);
  const limit = f(right - x0 + 0.25);
  const start = f(left - x0);
  const part = near ? between(vy, f(y1), f(y2)) : 1;
  const row = near ? f(falloff(kc) * part) : falloff(kc);
  let peak = 0;
  for (let k = 0; k < 4; k++) {
    let vx = f(start + k);
    let r = 0;
    let rx = 0;
    let rxx = 0;
    for (let x = left + k; x <= right; x += 4, vx = f(vx + 4)) {
      if (parity >= 0 && ((x + y) & 1) !== parity) continue;
      const v = f(data[y * width + x] - sky);
      const t = straight ? f(f(kxx * vx) * vx) : f(f(f(f(kxx * vx) + kb) * vx) + kc);
      if (v !== v || !(vx <= limit) || !(straight || t <= CUT)) continue;
      const beside = near ? between(vx, f(x1), f(x2)) : 1;
      const w1 = falloff(t);
      if (straight && near && f(w1 * beside) === 0) continue;
      const g = straight ? f((near ? f(w1 * beside) : w1) * row) : near ? f(w1 * f(beside * part)) : w1;
      if (v > peak) peak = v;
      const wv = f(g * v);
      const wx = f(wv * vx);
      r = f(r + wv);
      rx = f(rx + wx);
      rxx = f(rxx + f(wx * vx));
      sums.s1[k] += g;
      sums.s2[k] += f(g * g);
      sums.s2i[k] += f(g * wv);
    }
    const ry = f(r * vy);
    sums.s[k] += r;
    sums.sx[k] += rx;
    sums.sxx[k] += rxx;
    sums.sy[k] += ry;
    sums.sxy[k] += f(rx * vy);
    sums.syy[k] += f(ry * vy);
  }
  return peak;
}

/** See `weigh` of the kernel. */
function weigh(plane: MomentPlane, weight: Weight, even: boolean): Sums {
  const { width, parity } = plane;
  const { x0, y0, xx, xy, yy } = weight;
  const det = xx * yy - xy * xy;
  const straight = xy === 0;
  const reach = reachOf(plane, weight, even);
  const { top, bottom, near } = reach;
  const inverse: Inverse = {
    x0,
    y0,
    ixx: yy / det,
    ixy: -xy / det,
    iyy: xx / det,
    sky: f(weight.background),
    straight,
  };
  const whole = (straight ? 0.9946076967722628 : 0.9888910034617577) * 6.283185307179586 * Math.sqrt(det);
  if (parity < 0 && !near && top <= bottom && bottom - top < ROWS && xy * xy <= 0.25 * xx * yy) {
    const rx = Math.sqrt(CUT * xx);
    const left = Math.max(0, Math.ceil(x0 - rx));
    const right = Math.min(width - 1, Math.floor(x0 + rx));
    if (left <= right && left + ((right - left + 4) & ~3) <= width) {
      const inside = weighInside(plane, inverse, { left, right, top, bottom });
      if (inside !== null) return { ...inside, covered: inside.covered / whole };
    }
  }
  const sums = lanes();
  let peak = 0;
  for (let y = top; y <= bottom; y++) peak = Math.max(peak, weighRow(plane, inverse, reach, y, sums));
  return sumsOf(sums, peak, across(sums.s2), across(sums.s1) * (parity < 0 ? 1 : 2) / whole);
}

const mixed = ({ xx, xy, yy }: Ellipse): number => xy * xy < 0.0025 * xx * yy ? 0 : xy;

/** See `widening` of the kernel. */
function widening({ xx, xy, yy }: Ellipse, resolved: number): number {
  const d = (xx - yy) / 2;
  const short = (xx + yy) / 2 - Math.sqrt(d * d + xy * xy);
  if (!(short < 2 * resolved)) return 0;
  return Math.max(
    0,
    (short > 1.2 * resolved ? Math.min(6 * resolved, 1 / (1 / resolved - 1 / short)) : 6 * resolved) - short,
  );
}

/** The ellipse that a pass under a weight asks for, see the kernel; null if the star has none. */
function adapted({ dx, dy, mxx, mxy, myy }: Sums, { xx, xy, yy }: Ellipse): Ellipse | null {
  const oxx = mxx - dx * dx;
  const oxy = mxy - dx * dy;
  const oyy = myy - dy * dy;
  const observedDet = oxx * oyy - oxy * oxy;
  const weightDet = xx * yy - xy * xy;
  const axx = oyy / observedDet - yy / weightDet;
  const axy = -oxy / observedDet + xy / weightDet;
  const ayy = oxx / observedDet - xx / weightDet;
  const adaptedDet = axx * ayy - axy * axy;
  if (!(observedDet > 0)) return null;
  if (!(axx > 0 && adaptedDet > 0)) return { xx: 2 * oxx, xy: 2 * oxy, yy: 2 * oyy };
  const next = { xx: ayy / adaptedDet, xy: -axy / adaptedDet, yy: axx / adaptedDet };
  const growth = Math.sqrt((next.xx * next.yy - next.xy * next.xy) / weightDet);
  if (!(growth > 3)) return next;
  const back = 3 / growth;
  return { xx: next.xx * back, xy: next.xy * back, yy: next.yy * back };
}

/** A star while it is measured. */
interface State {
  x: number;
  y: number;
  shape: Ellipse;
  add: number;
  sums: Sums | null;
}

/** Measure one entry of the list from its state; whether it came to rest. */
function settles(plane: MomentPlane, resolved: number, at: Float64Array, state: State): boolean {
  const [task, startX, startY] = at;
  const background = at[6];
  const maximumShift = at[7];
  const tolerance = at[8];
  const minimumSignal = at[9];
  const minimumVariance = at[10];
  const maximumVariance = at[11];
  const iterations = at[12];
  const weightOf = ({ x, y, shape, add }: State): Weight => (
    { x0: x, y0: y, xx: shape.xx + add, xy: mixed(shape), yy: shape.yy + add, background }
  );
  for (let iteration = 0; iteration < iterations; iteration++) {
    const weight = weightOf(state);
    const sums = state.sums = weigh(plane, weight, task !== 2);
    if (task === 0) return true;
    if (!(sums.sum > 0) || !(sums.sum > minimumSignal * Math.sqrt(sums.weight2))) return false;
    const limit = 0.7 * Math.sqrt(weight.xx + weight.yy);
    const mx = Math.max(-limit, Math.min(limit, 2 * sums.dx));
    const my = Math.max(-limit, Math.min(limit, 2 * sums.dy));
    state.x += mx;
    state.y += my;
    const off = (state.x - startX) * (state.x - startX) + (state.y - startY) * (state.y - startY);
    if (!(off <= maximumShift * maximumShift)) return false;
    if (task === 1) {
      if (mx * mx + my * my < tolerance * tolerance || iteration === iterations - 1) return true;
      continue;
    }
    const next = adapted(sums, weight);
    if (next === null) return false;
    const d = (next.xx - next.yy) / 2;
    const middle = (next.xx + next.yy) / 2;
    const root = Math.sqrt(d * d + next.xy * next.xy);
    if (!(middle - root >= minimumVariance && middle + root <= maximumVariance)) return false;
    const { xx, xy, yy } = state.shape;
    const change = (Math.abs(next.xx - xx) + Math.abs(next.yy - yy) + 2 * Math.abs(next.xy - xy)) / (next.xx + next.yy);
    state.shape = next;
    state.add = widening(next, resolved);
    const still = change < 4e-3 * (1 - root / middle) && mx * mx + my * my < 1e-5 * (next.xx + next.yy);
    if (still || iteration === iterations - 1) {
      state.sums = weigh(plane, weightOf(state), false);
      return true;
    }
  }
  return false;
}

/** See measureMoments. */
export function momentsTwin(plane: MomentPlane, resolved: number, list: Float64Array): void {
  for (let e = 0; e < list.length; e += FIELDS) {
    const at = list.subarray(e, e + FIELDS);
    const shape = { xx: at[3], xy: at[4], yy: at[5] };
    const state: State = { x: at[1], y: at[2], shape, add: widening(shape, resolved), sums: null };
    at[13] = settles(plane, resolved, at, state) ? 1 : 0;
    at[1] = state.x;
    at[2] = state.y;
    at[3] = state.shape.xx;
    at[4] = state.shape.xy;
    at[5] = state.shape.yy;
    if (state.sums !== null) {
      at[14] = state.sums.sum;
      at[15] = state.sums.weight2;
      at[16] = state.sums.weight2Flux;
      at[17] = state.sums.peak;
      at[18] = state.sums.covered;
    }
    at[19] = state.shape.xx + state.add;
    at[20] = mixed(state.shape);
    at[21] = state.shape.yy + state.add;
  }
}
