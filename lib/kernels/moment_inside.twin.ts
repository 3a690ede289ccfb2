/** The pass of `moments.twin.ts` where every pixel counts and none is missing; see the kernel. */
import {
  across,
  CUT,
  f,
  falloff,
  type Inverse,
  lane,
  lanes,
  slope,
  type Sums,
  sumsOf,
  type Window,
} from "./moment_sums.twin.ts";
import type { MomentPlane } from "./moments.ts";

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
export function weighInside(plane: MomentPlane, inverse: Inverse, window: Window): Sums | null {
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
