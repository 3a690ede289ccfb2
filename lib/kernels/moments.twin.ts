/** The kernels of `src/moments.as.ts` in plain TypeScript; see machine.ts for what a twin is. */
import type { MomentPlane } from "./moments.ts";

const f = Math.fround;

/** Weights are cut at three sigma: the product of a weight and a star that matches it has fallen to 1e-4 there. */
const CUT = 9;
/** Most rows of a pass inside. */
const ROWS = 256;
/** Doubles an entry of the list takes. */
const FIELDS = 32;

/** Second moments. */
interface Ellipse {
  readonly xx: number;
  readonly xy: number;
  readonly yy: number;
}

/** A weight at a place, and the level taken off each sample. */
interface Weight extends Ellipse {
  readonly x0: number;
  readonly y0: number;
  readonly background: number;
}

/** The weight's inverse, as the passes use it. */
interface Inverse {
  readonly x0: number;
  readonly y0: number;
  readonly ixx: number;
  readonly ixy: number;
  readonly iyy: number;
  readonly sky: number;
  readonly straight: boolean;
}

/** Pixels of a pass. */
interface Window {
  readonly left: number;
  readonly right: number;
  readonly top: number;
  readonly bottom: number;
}

/** Sums of a pass; see `weigh` of the kernel. */
interface Sums {
  readonly sum: number;
  readonly weight2: number;
  readonly weight2Flux: number;
  readonly dx: number;
  readonly dy: number;
  readonly mxx: number;
  readonly mxy: number;
  readonly myy: number;
  readonly peak: number;
  readonly covered: number;
}

/** The same while they are summed: four lanes each, as the kernel's vectors have. */
interface Lanes {
  readonly s: Float32Array;
  readonly sx: Float32Array;
  readonly sy: Float32Array;
  readonly sxx: Float32Array;
  readonly sxy: Float32Array;
  readonly syy: Float32Array;
  readonly s1: Float32Array;
  readonly s2: Float32Array;
  readonly s2i: Float32Array;
}

const lane = () => new Float32Array(4);
const lanes = (): Lanes => ({
  s: lane(),
  sx: lane(),
  sy: lane(),
  sxx: lane(),
  sxy: lane(),
  syy: lane(),
  s1: lane(),
  s2: lane(),
  s2i: lane(),
});
const across = (v: Float32Array): number => (v[0] + v[2]) + (v[1] + v[3]);

/** Sums of a pass from its lanes. */
function sumsOf({ s, sx, sy, sxx, sxy, syy, s2i }: Lanes, peak: number, weight2: number, covered: number): Sums {
  const sum = across(s);
  return {
    sum,
    weight2,
    weight2Flux: across(s2i),
    dx: across(sx) / sum,
    dy: across(sy) / sum,
    mxx: across(sxx) / sum,
    mxy: across(sxy) / sum,
    myy: across(syy) / sum,
    peak,
    covered,
  };
}

/** See `falloff` of the kernel. */
function falloff(t: number): number {
  const u = f(t / 32);
  let g = f(f(u * f(1 / 24)) - f(1 / 6));
  g = f(f(g * u) + 0.5);
  g = f(f(g * u) - 1);
  g = f(f(g * u) + 1);
  g = f(g * g);
  g = f(g * g);
  g = f(g * g);
  return f(g * g);
}

/** See `between` of the kernel. */
function between(v: number, low: number, high: number): number {
  const a = Math.max(0, Math.min(1, f(f(v + 0.5) - low)));
  return f(a * Math.max(0, Math.min(1, f(high - f(v - 0.5)))));
}

/** See `slope` of the kernel. */
function slope(t: number): number {
  let g = falloff(f(t * 0.25));
  g = f(g * g);
  return f(g * g);
}

/** What a row has in common, in the four tables of the kernel, and the sums of its factors and of their squares. */
interface RowTables {
  readonly t0: Float32Array;
  readonly t1: Float32Array;
  readonly t2: Float32Array;
  readonly t3: Float32Array;
  readonly rows: Float32Array;
  readonly rows2: Float32Array;
}

function rowTables({ y0, iyy, straight }: Inverse, { top, bottom }: Window): RowTables {
  const n = bottom - top + 1;
  const start = f(top - y0);
  const t0 = new Float32Array(n);
  const t1 = new Float32Array(n);
  const t2 = new Float32Array(n);
  const t3 = new Float32Array(n);
  const rows = lane();
  const rows2 = lane();
  const kyy = f(iyy);
  const lowest = f(bottom - y0 + 0.25);
  for (let k = 0; k < 4; k++) {
    let vy = f(start + k);
    for (let j = k; j < n; j += 4, vy = f(vy + 4)) {
      const t = f(f(kyy * vy) * vy);
      const g = vy <= lowest ? falloff(t) : 0;
      const gy = f(g * vy);
      const g2 = f(g * g);
      t0[j] = g;
      t1[j] = straight ? gy : vy;
      t2[j] = straight ? gy * vy : vy * vy;
      t3[j] = straight ? g2 : t;
      rows[k] += g;
      rows2[k] += g2;
    }
  }
  return { t0, t1, t2, t3, rows, rows2 };
}

/** Sums down a column, its own factor left out: for the flux, y, y², the squared weight, the weight, its square. */
interface ColumnSums {
  readonly ca: number;
  readonly cb: number;
  readonly cc: number;
  readonly cd: number;
  readonly c1: number;
  readonly c2: number;
  readonly highest: number;
}

/** A column under a weight along the axes: the product of a factor a row and one a column. */
function straightColumn(
  { data, width }: MomentPlane,
  x: number,
  top: number,
  sky: number,
  tables: RowTables,
): ColumnSums {
  const { t0, t1, t2, t3 } = tables;
  let ca = 0;
  let cb = 0;
  let cc = 0;
  let cd = 0;
  let highest = 0;
  for (let j = 0; j < t0.length; j++) {
    const v = f(data[(top + j) * width + x] - sky);
    ca = f(ca + f(v * t0[j]));
    cb = f(cb + f(v * t1[j]));
    cc = f(cc + f(v * t2[j]));
    cd = f(cd + f(v * t3[j]));
    if (v > highest) highest = v;
  }
  return { ca, cb, cc, cd, c1: 1, c2: 1, highest };
}

/** A column under a slanted weight: what mixes rows and columns goes from row to row by one factor. */
function slantedColumn(
  { data, width }: MomentPlane,
  { x, vx, top, start }: { readonly x: number; readonly vx: number; readonly top: number; readonly start: number },
  { ixx, ixy, sky }: Inverse,
  { t0, t1, t2, t3 }: RowTables,
): ColumnSums {
  const tx = f(f(f(ixx) * vx) * vx);
  const tb = f(f(2 * ixy) * vx);
  const step = slope(tb);
  let mixing = slope(f(tb * start));
  let ca = 0;
  let cb = 0;
  let cc = 0;
  let cd = 0;
  let c1 = 0;
  let c2 = 0;
  let highest = 0;
  for (let j = 0; j < t0.length; j++) {
    const t = f(f(f(tb * t1[j]) + tx) + t3[j]);
    const inside = t <= CUT;
    const v = inside ? f(data[(top + j) * width + x] - sky) : 0;
    const g = inside ? f(mixing * t0[j]) : 0;
    const gv = f(g * v);
    mixing = f(mixing * step);
    ca = f(ca + gv);
    cb = f(cb + f(gv * t1[j]));
    cc = f(cc + f(gv * t2[j]));
    cd = f(cd + f(g * gv));
    c1 = f(c1 + g);
    c2 = f(c2 + f(g * g));
    if (v > highest) highest = v;
  }
  return { ca, cb, cc, cd, c1, c2, highest };
}

/** See `weighInside` of the kernel; null where it returns false. */
function weighInside(plane: MomentPlane, inverse: Inverse, window: Window): Sums | null {
  const { x0, y0, ixx, sky, straight } = inverse;
  const { left, right, top } = window;
  const tables = rowTables(inverse, window);
  const start = f(top - y0);
  const limit = f(right - x0 + 0.25);
  const first = f(left - x0);
  const end = left + ((right - left + 4) & ~3);
  const sums = lanes();
  let peak = 0;
  for (let k = 0; k < 4; k++) {
    let vx = f(first + k);
    for (let x = left + k; x < end; x += 4, vx = f(vx + 4)) {
      const outside = straight && !(vx <= limit);
      const c = outside ? 0 : falloff(f(f(f(ixx) * vx) * vx));
      const column = straight
        ? straightColumn(plane, x, top, sky, tables)
        : slantedColumn(plane, { x, vx, top, start }, inverse, tables);
      const cx = f(c * vx);
      sums.s1[k] += f(c * column.c1);
      sums.s2[k] += f(f(c * c) * column.c2);
      sums.s[k] += f(c * column.ca);
      sums.sx[k] += f(cx * column.ca);
      sums.sxx[k] += f(f(cx * vx) * column.ca);
      sums.sy[k] += f(c * column.cb);
      sums.sxy[k] += f(cx * column.cb);
      sums.syy[k] += f(c * column.cc);
      sums.s2i[k] += f(f(c * c) * column.cd);
      if (!outside && column.highest > peak) peak = column.highest;
    }
  }
  const sum = across(sums.s);
  if (!(sum - sum === 0)) return null;
  const { rows, rows2 } = tables;
  return sumsOf(
    sums,
    peak,
    straight ? across(sums.s2) * across(rows2) : across(sums.s2),
    straight ? across(sums.s1) * across(rows) : across(sums.s1),
  );
}

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
