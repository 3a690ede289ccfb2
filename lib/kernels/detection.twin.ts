/**
 * The kernels of a survey in plain TypeScript, operation by operation as src/survey.as.ts and src/moments.as.ts (see
 * twin.ts).
 */
import { madSigmaFactor } from "../stats/mad_sigma.ts";

const f = Math.fround;

/** See blockMeans. */
export function blockMeansTwin(
  a: Float32Array,
  o: Float32Array,
  w: number,
  gw: number,
  gh: number,
  parity: number,
): void {
  for (let y = 0, at = 0; y < gh; y++) {
    for (let x = 0; x < gw; x++, at++) {
      const p = 2 * y * w + 2 * x;
      const q = p + w;
      const four = parity < 0
        ? [a[p], a[q], a[p + 1], a[q + 1]]
        : parity === 0
        ? [a[p], a[q + 1], NaN, NaN]
        : [a[p + 1], a[q], NaN, NaN];
      const s = parity < 0 ? f(f(four[0] + four[1]) + f(four[2] + four[3])) * 0.25 : f(four[0] + four[1]) * 0.5;
      if (s === s) {
        o[at] = s;
        continue;
      }
      let sum = 0;
      let n = 0;
      for (const v of parity < 0 ? [four[0], four[2], four[1], four[3]] : four) {
        if (v === v) {
          sum = f(sum + v);
          n++;
        }
      }
      o[at] = sum / n;
    }
  }
}

function countUpTo(p: Float32Array, n: number, limit: number): number {
  let c = 0;
  for (let i = 0; i < n; i++) if (p[i] <= limit) c++;
  return c;
}
function greatestUpTo(p: Float32Array, n: number, limit: number): number {
  let v = -Infinity;
  for (let i = 0; i < n; i++) if (p[i] <= limit && p[i] > v) v = p[i];
  return v;
}
function leastAbove(p: Float32Array, n: number, limit: number): number {
  let v = Infinity;
  for (let i = 0; i < n; i++) if (p[i] > limit && p[i] < v) v = p[i];
  return v;
}

/** The want-th of the first n numbers (1 = least), from a guess of where it lies; see `ranked` of the kernel. */
export function rankedTwin(p: Float32Array, n: number, want: number, low: number, high: number): number {
  low = f(low);
  high = f(high);
  let cl = countUpTo(p, n, low);
  let ch = 0;
  let near = f(f(high - low) / 512);
  if (cl < want) ch = countUpTo(p, n, high);
  if (!(cl < want && ch >= want)) {
    low = leastAbove(p, n, -Infinity);
    cl = countUpTo(p, n, low);
    if (cl >= want) return low;
    high = greatestUpTo(p, n, f(3.4028234e38));
    ch = n;
    near = 0;
  }
  for (let k = 0; k < 60; k++) {
    if (!(f(high - low) > near)) break;
    const part = k % 3 === 2 ? 0.5 : Math.min(0.95, Math.max(0.05, (want - 0.5 - cl) / (ch - cl)));
    const m = f(low + (high - low) * part);
    if (!(m > low && m < high)) break;
    const c = countUpTo(p, n, m);
    if (c === want) return greatestUpTo(p, n, m);
    if (c === want - 1) return leastAbove(p, n, m);
    if (c < want) {
      low = m;
      cl = c;
    } else {
      high = m;
      ch = c;
    }
  }
  return leastAbove(p, n, low);
}

/** See tileStatistics. */
export function tileStatisticsTwin(
  a: Float32Array,
  w: number,
  h: number,
  tile: number,
  columns: number,
  rows: number,
  step: number,
  most: number,
  out: Float64Array,
): void {
  const samples = new Float32Array(most);
  const bends = new Float32Array(most);
  const spread = new Float32Array(most);
  let guess = 0;
  let width = 0;
  let turn = 0;
  for (let r = 0, at = 0; r < rows; r++) {
    const y0 = r * tile;
    const y1 = r === rows - 1 ? h : y0 + tile;
    for (let c = 0; c < columns; c++, at += 2) {
      const x0 = c * tile;
      const x1 = c === columns - 1 ? w : x0 + tile;
      let n = 0;
      let b = 0;
      let seen = 0;
      for (let y = y0; y < y1; y += step) {
        seen += x1 - x0;
        for (let x = x0, i = y * w + x0; x < x1; x++, i++) {
          const v = a[i];
          if (v !== v) continue;
          samples[n++] = v;
          if (x === 0 || x === w - 1) continue;
          const d = f(f(f(v + v) - a[i - 1]) - a[i + 1]);
          if (d === d) bends[b++] = Math.abs(d);
        }
      }
      if (n < 1 || 4 * n < seen || b < 1) {
        out[at] = out[at + 1] = NaN;
        continue;
      }
      const want = (n >> 1) + 1;
      const centre = rankedTwin(samples, n, want, f(guess - f(4 * width)), f(guess + f(4 * width)));
      for (let i = 0; i < n; i++) spread[i] = Math.abs(f(samples[i] - centre));
      const mad = rankedTwin(spread, n, want, 0, f(2 * width));
      const sigma = f(f(madSigmaFactor) * mad);
      const reach = f(2.5 * sigma);
      guess = centre;
      width = mad;
      let kept = 0;
      let below = 0;
      const total = new Float32Array(4);
      for (let i = 0; i < n; i++) {
        const d = f(samples[i] - centre);
        if (d < -reach) below++;
        else if (d <= reach) {
          kept++;
          total[i & 3] += d;
        }
      }
      const mean = centre + f(f(total[0] + total[2]) + f(total[1] + total[3])) / kept;
      const middle = rankedTwin(samples, n, below + (kept >> 1) + 1, f(centre - mad), f(centre + mad));
      out[at] = Math.abs(mean - middle) <= 0.3 * sigma ? 2.5 * middle - 1.5 * mean : middle;
      const typical = rankedTwin(bends, b, (b >> 1) + 1, 0, f(2 * turn));
      const cut = f(f(2.5 * madSigmaFactor) * typical);
      turn = typical;
      const calm = countUpTo(bends, b, cut);
      out[at + 1] = rankedTwin(bends, b, (calm >> 1) + 1, f(0.5 * typical), typical) / (0.66405 * Math.sqrt(6));
    }
  }
}

/** See tileMedians. */
export function tileMediansTwin(
  a: Float32Array,
  w: number,
  columns: number,
  rows: number,
  out: Float32Array,
  smooth: Float32Array,
): void {
  const seven = new Float32Array(7);
  const middles = new Float32Array(7);
  const nine = new Float32Array(9);
  for (let r = 0; r < rows; r++) {
    for (let c = 0; c < columns; c++) {
      for (let x = 0; x < 7; x++) {
        for (let y = 0; y < 7; y++) seven[y] = a[(8 * r + y) * w + 8 * c + x];
        middles[x] = seven.sort()[3];
      }
      out[r * columns + c] = middles.sort()[3];
    }
  }
  for (let r = 1; r < rows - 1; r++) {
    for (let c = 1; c < columns - 1; c++) {
      for (let k = 0; k < 9; k++) nine[k] = out[(r + Math.floor(k / 3) - 1) * columns + c + k % 3 - 1];
      smooth[r * columns + c] = nine.sort()[4];
    }
  }
}

/** See subtractSurface. */
export function subtractLinesTwin(
  a: Float32Array,
  o: Float32Array,
  w: number,
  h: number,
  lines: Float32Array,
  rows: number,
  tile: number,
  first: number,
): void {
  for (let y = 0, i = 0; y < h; y++) {
    const v = Math.min(rows - 0.5, Math.max(-0.5, (y - first) / tile));
    const r = Math.max(0, Math.min(rows - 2, Math.trunc(v)));
    const part = f(v - r);
    const p = r * w;
    const q = Math.min(rows - 1, r + 1) * w;
    for (let x = 0; x < w; x++, i++) {
      const s = lines[p + x];
      const d = f(a[i] - f(s + f(f(lines[q + x] - s) * part)));
      o[i] = d === d ? d : 0;
    }
  }
}

/** See lineMedians. */
export function lineMediansTwin(
  a: Float32Array,
  lines: number,
  lineStep: number,
  count: number,
  sampleStep: number,
  noise: number,
  out: Float32Array,
): void {
  const room = new Float32Array(count);
  for (let l = 0; l < lines; l++) {
    for (let k = 0, i = l * lineStep; k < count; k++, i += sampleStep) room[k] = a[i];
    out[l] = rankedTwin(room, count, (count >> 1) + 1, -noise, noise);
  }
}

/** See smoothGrid. */
export function smoothGridTwin(a: Float32Array, o: Float32Array, w: number, h: number): void {
  const line = new Float32Array(w + 2);
  for (let y = 0; y < h; y++) {
    const b = y * w;
    const p = y === 0 ? b : b - w;
    const q = y === h - 1 ? b : b + w;
    for (let x = 0; x < w; x++) line[x + 1] = f(a[p + x] + a[q + x]) + f(a[b + x] + a[b + x]);
    line[0] = line[1];
    line[w + 1] = line[w];
    for (let x = 0; x < w; x++) o[b + x] = f(f(line[x] + line[x + 2]) + f(line[x + 1] + line[x + 1])) * 0.0625;
  }
}

/** See findPeaks. */
export function findPeaksTwin(
  a: Float32Array,
  w: number,
  h: number,
  limits: Float32Array,
  columns: number,
  rows: number,
  tile: number,
): Int32Array {
  const found: number[] = [];
  for (let y = 0; y < h; y++) {
    const r = Math.min(rows - 1, Math.floor(y / tile));
    for (let x = 0; x < w; x++) {
      const i = y * w + x;
      const v = a[i];
      if (!(v > limits[r * columns + Math.min(columns - 1, Math.floor(x / tile))])) continue;
      let peak = true;
      for (let k = 0; k < 9 && peak; k++) {
        const nx = x + k % 3 - 1;
        const ny = y + Math.floor(k / 3) - 1;
        if (k === 4 || nx < 0 || ny < 0 || nx >= w || ny >= h) continue;
        peak = k === 5 || k > 5 ? v >= a[ny * w + nx] : v > a[ny * w + nx];
      }
      if (peak) found.push(i);
    }
  }
  return Int32Array.from(found);
}

/** Samples three away from a peak, x and y in turn. */
const AROUND: readonly number[] = [3, 0, 2, 2, 0, 3, -2, 2, -3, 0, -2, -2, 0, -3, 2, -2];

/** See peakRegions. */
export function regionsTwin(
  a: Float32Array,
  w: number,
  h: number,
  list: Float64Array,
  count: number,
  most: number,
): void {
  const labels = new Float32Array(w * h);
  const queue = new Int32Array(most + 8);
  const near = new Float64Array(8);
  for (let k = 0; k < count; k++) {
    const at = list.subarray(8 * k, 8 * k + 8);
    const start = at[0];
    const floor = f(at[1]);
    const label = k + 1;
    const x0 = start % w;
    const y0 = (start - x0) / w;
    let tail = 1;
    let mx = 0;
    let my = 0;
    let sxx = 0;
    let sxy = 0;
    let syy = 0;
    let meets = labels[start];
    if (meets === 0 && floor === floor) {
      let head = 0;
      let sx = 0;
      let sy = 0;
      let weight = 0;
      queue[0] = start;
      labels[start] = label;
      while (head < tail && tail < most) {
        const i = queue[head++];
        const x = i % w;
        const y = (i - x) / w;
        const dx = x - x0;
        const dy = y - y0;
        const v = a[i];
        sx += v * dx;
        sy += v * dy;
        sxx += v * dx * dx;
        sxy += v * dx * dy;
        syy += v * dy * dy;
        weight += v;
        for (let ny = Math.max(0, y - 1); ny <= Math.min(h - 1, y + 1); ny++) {
          for (let nx = Math.max(0, x - 1); nx <= Math.min(w - 1, x + 1); nx++) {
            const j = ny * w + nx;
            if (!(a[j] >= floor) || labels[j] === label) continue;
            if (labels[j] !== 0) {
              meets = labels[j];
              continue;
            }
            labels[j] = label;
            queue[tail++] = j;
          }
        }
      }
      mx = sx / weight;
      my = sy / weight;
      sxx = sxx / weight - mx * mx;
      sxy = sxy / weight - mx * my;
      syy = syy / weight - my * my;
    }
    for (let i = 0; i < 8; i++) {
      const nx = Math.max(0, Math.min(w - 1, x0 + AROUND[2 * i]));
      near[i] = a[Math.max(0, Math.min(h - 1, y0 + AROUND[2 * i + 1])) * w + nx];
    }
    near.sort();
    at.set([(near[3] + near[4]) / 2, tail, x0 + mx, y0 + my, sxx, sxy, syy, meets === 0 ? 0 : 1]);
  }
}

/** See ringMedians. */
export function ringMediansTwin(a: Float32Array, places: Int32Array, offsets: Int32Array, out: Float32Array): void {
  const ring = new Float32Array(16);
  for (let k = 0; k < places.length; k++) {
    for (let i = 0; i < 16; i++) ring[i] = a[places[k] + offsets[i]];
    ring.sort();
    out[2 * k] = ring[7];
    out[2 * k + 1] = ring[8];
  }
}

const CUT = 9;

/** Sums of a pass; see `weigh` of the kernel. */
interface Sums {
  sum: number;
  weight2: number;
  light2: number;
  dx: number;
  dy: number;
  mxx: number;
  mxy: number;
  myy: number;
  peak: number;
  covered: number;
}

const across = (v: Float32Array): number => (v[0] + v[2]) + (v[1] + v[3]);
const lane = () => new Float32Array(4);

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

function between(v: number, low: number, high: number): number {
  const a = Math.max(0, Math.min(1, f(f(v + 0.5) - low)));
  return f(a * Math.max(0, Math.min(1, f(high - f(v - 0.5)))));
}

function slope(t: number): number {
  let g = falloff(f(t * 0.25));
  g = f(g * g);
  return f(g * g);
}

/** Most rows of a pass inside. */
const ROWS = 256;

/** See `weighInside` of the kernel. */
function weighInside(
  a: Float32Array,
  w: number,
  x0: number,
  y0: number,
  ixx: number,
  ixy: number,
  iyy: number,
  left: number,
  right: number,
  top: number,
  bottom: number,
  background: number,
): Sums | null {
  const straight = ixy === 0;
  const n = bottom - top + 1;
  const sky = f(background);
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
  const kxx = f(ixx);
  const kxy = f(2 * ixy);
  const limit = f(right - x0 + 0.25);
  const s = lane();
  const sx = lane();
  const sy = lane();
  const sxx = lane();
  const sxy = lane();
  const syy = lane();
  const s1 = lane();
  const s2 = lane();
  const s2i = lane();
  const first = f(left - x0);
  const end = left + ((right - left + 4) & ~3);
  let peak = 0;
  for (let k = 0; k < 4; k++) {
    let vx = f(first + k);
    for (let x = left + k; x < end; x += 4, vx = f(vx + 4)) {
      let ca = 0;
      let cb = 0;
      let cc = 0;
      let cd = 0;
      let c1 = 0;
      let c2 = 0;
      let highest = 0;
      const tx = f(f(kxx * vx) * vx);
      let c = falloff(tx);
      if (straight) {
        if (!(vx <= limit)) c = 0;
        for (let j = 0; j < n; j++) {
          const v = f(a[(top + j) * w + x] - sky);
          ca = f(ca + f(v * t0[j]));
          cb = f(cb + f(v * t1[j]));
          cc = f(cc + f(v * t2[j]));
          cd = f(cd + f(v * t3[j]));
          if (v > highest) highest = v;
        }
        if (!(vx <= limit)) highest = 0;
        s1[k] += c;
        s2[k] += f(c * c);
      } else {
        const tb = f(kxy * vx);
        const step = slope(tb);
        let mixing = slope(f(tb * start));
        for (let j = 0; j < n; j++) {
          const t = f(f(f(tb * t1[j]) + tx) + t3[j]);
          const inside = t <= CUT;
          const v = inside ? f(a[(top + j) * w + x] - sky) : 0;
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
        s1[k] += f(c * c1);
        s2[k] += f(f(c * c) * c2);
      }
      const cx = f(c * vx);
      s[k] += f(c * ca);
      sx[k] += f(cx * ca);
      sxx[k] += f(f(cx * vx) * ca);
      sy[k] += f(c * cb);
      sxy[k] += f(cx * cb);
      syy[k] += f(c * cc);
      s2i[k] += f(f(c * c) * cd);
      if (highest > peak) peak = highest;
    }
  }
  const sum = across(s);
  if (!(sum - sum === 0)) return null;
  return {
    sum,
    weight2: straight ? across(s2) * across(rows2) : across(s2),
    light2: across(s2i),
    dx: across(sx) / sum,
    dy: across(sy) / sum,
    mxx: across(sxx) / sum,
    mxy: across(sxy) / sum,
    myy: across(syy) / sum,
    peak,
    covered: straight ? across(s1) * across(rows) : across(s1),
  };
}

function weigh(
  a: Float32Array,
  w: number,
  h: number,
  parity: number,
  x0: number,
  y0: number,
  xx: number,
  xy: number,
  yy: number,
  background: number,
  even: boolean,
): Sums {
  const det = xx * yy - xy * xy;
  const ixx = yy / det;
  const ixy = -xy / det;
  const iyy = xx / det;
  const ry = Math.sqrt(CUT * yy);
  const slant = xy / yy;
  const chord = Math.sqrt(CUT * det / yy);
  const straight = xy === 0;
  const x1 = even ? x0 - (w - 0.5) : -1e6;
  const x2 = even ? x0 + 0.5 : 1e6;
  const y1 = even ? y0 - (h - 0.5) : -1e6;
  const y2 = even ? y0 + 0.5 : 1e6;
  const top = Math.max(Math.max(0, Math.ceil(y0 - ry)), Math.ceil(y0 + y1 - 0.5));
  const bottom = Math.min(Math.min(h - 1, Math.floor(y0 + ry)), Math.floor(y0 + y2 + 0.5));
  const first = Math.max(0, Math.ceil(x0 + x1 - 0.5));
  const last = Math.min(w - 1, Math.floor(x0 + x2 + 0.5));
  const near = x1 > -chord - ry || x2 < chord + ry || y1 > -ry || y2 < ry;
  const whole = (straight ? 0.9946076967722628 : 0.9888910034617577) * 6.283185307179586 * Math.sqrt(det);
  if (parity < 0 && !near && top <= bottom && bottom - top < ROWS && xy * xy <= 0.25 * xx * yy) {
    const rx = Math.sqrt(CUT * xx);
    const begin = Math.max(0, Math.ceil(x0 - rx));
    const stop = Math.min(w - 1, Math.floor(x0 + rx));
    if (begin <= stop && begin + ((stop - begin + 4) & ~3) <= w) {
      const inside = weighInside(a, w, x0, y0, ixx, straight ? 0 : ixy, iyy, begin, stop, top, bottom, background);
      if (inside !== null) return { ...inside, covered: inside.covered / whole };
    }
  }
  const sky = f(background);
  const kxx = f(ixx);
  const s = lane();
  const sx = lane();
  const sy = lane();
  const sxx = lane();
  const sxy = lane();
  const syy = lane();
  const s1 = lane();
  const s2 = lane();
  const s2i = lane();
  const r = lane();
  const rx = lane();
  const rxx = lane();
  let peak = 0;
  for (let y = top; y <= bottom; y++) {
    const ey = y - y0;
    const middle = straight ? x0 : x0 + slant * ey;
    const left = Math.max(first, Math.ceil(middle - chord));
    const right = Math.min(last, Math.floor(middle + chord));
    if (left > right) continue;
    const vy = f(ey);
    const kb = f(2 * ixy * ey);
    const kc = f(iyy * ey * ey);
    const limit = f(right - x0 + 0.25);
    const start = f(left - x0);
    const part = near ? between(vy, f(y1), f(y2)) : 1;
    const row = near ? f(falloff(kc) * part) : falloff(kc);
    r.fill(0);
    rx.fill(0);
    rxx.fill(0);
    for (let k = 0; k < 4; k++) {
      let vx = f(start + k);
      for (let x = left + k; x <= right; x += 4, vx = f(vx + 4)) {
        if (parity >= 0 && ((x + y) & 1) !== parity) continue;
        const v = f(a[y * w + x] - sky);
        const t = straight ? f(f(kxx * vx) * vx) : f(f(f(f(kxx * vx) + kb) * vx) + kc);
        if (v !== v || !(vx <= limit) || !(straight || t <= CUT)) continue;
        const beside = near ? between(vx, f(x1), f(x2)) : 1;
        const w1 = falloff(t);
        if (straight && near && f(w1 * beside) === 0) continue;
        const g = straight ? f((near ? f(w1 * beside) : w1) * row) : near ? f(w1 * f(beside * part)) : w1;
        if (v > peak) peak = v;
        const wv = f(g * v);
        const wx = f(wv * vx);
        r[k] += wv;
        rx[k] += wx;
        rxx[k] += f(wx * vx);
        s1[k] += g;
        s2[k] += f(g * g);
        s2i[k] += f(g * wv);
      }
    }
    for (let k = 0; k < 4; k++) {
      const ry2 = f(r[k] * vy);
      s[k] += r[k];
      sx[k] += rx[k];
      sxx[k] += rxx[k];
      sy[k] += ry2;
      sxy[k] += f(rx[k] * vy);
      syy[k] += f(ry2 * vy);
    }
  }
  const sum = across(s);
  return {
    sum,
    weight2: across(s2),
    light2: across(s2i),
    dx: across(sx) / sum,
    dy: across(sy) / sum,
    mxx: across(sxx) / sum,
    mxy: across(sxy) / sum,
    myy: across(syy) / sum,
    peak,
    covered: across(s1) * (parity < 0 ? 1 : 2) / whole,
  };
}

const mixed = (sxx: number, sxy: number, syy: number): number => sxy * sxy < 0.0025 * sxx * syy ? 0 : sxy;

function widening(sxx: number, sxy: number, syy: number, least: number): number {
  const d = (sxx - syy) / 2;
  const short = (sxx + syy) / 2 - Math.sqrt(d * d + sxy * sxy);
  if (!(short < 2 * least)) return 0;
  return Math.max(0, (short > 1.2 * least ? Math.min(6 * least, 1 / (1 / least - 1 / short)) : 6 * least) - short);
}

/** See measureMoments. */
export function momentsTwin(
  a: Float32Array,
  w: number,
  h: number,
  parity: number,
  coarse: number,
  list: Float64Array,
  count: number,
): void {
  for (let entry = 0; entry < count; entry++) {
    const at = list.subarray(32 * entry, 32 * entry + 32);
    const [task, startX, startY] = at;
    const background = at[6];
    const reach = at[7];
    const tolerance = at[8];
    const floor = at[9];
    const least = at[10];
    const most = at[11];
    const rounds = at[12];
    let x = startX;
    let y = startY;
    let sxx = at[3];
    let sxy = at[4];
    let syy = at[5];
    let add = widening(sxx, sxy, syy, coarse);
    let good = 0;
    let p: Sums | null = null;
    for (let round = 0; round < rounds; round++) {
      const xx = sxx + add;
      const yy = syy + add;
      const xy = mixed(sxx, sxy, syy);
      p = weigh(a, w, h, parity, x, y, xx, xy, yy, background, task !== 2);
      if (task === 0) {
        good = 1;
        break;
      }
      if (!(p.sum > 0) || !(p.sum > floor * Math.sqrt(p.weight2))) break;
      const { dx, dy } = p;
      const limit = 0.7 * Math.sqrt(xx + yy);
      const mx = Math.max(-limit, Math.min(limit, 2 * dx));
      const my = Math.max(-limit, Math.min(limit, 2 * dy));
      x += mx;
      y += my;
      const off = (x - startX) * (x - startX) + (y - startY) * (y - startY);
      if (!(off <= reach * reach)) break;
      if (task === 1) {
        if (mx * mx + my * my < tolerance * tolerance || round === rounds - 1) {
          good = 1;
          break;
        }
        continue;
      }
      const oxx = p.mxx - dx * dx;
      const oxy = p.mxy - dx * dy;
      const oyy = p.myy - dy * dy;
      const od = oxx * oyy - oxy * oxy;
      const wd = xx * yy - xy * xy;
      const axx = oyy / od - yy / wd;
      const axy = -oxy / od + xy / wd;
      const ayy = oxx / od - xx / wd;
      const ad = axx * ayy - axy * axy;
      if (!(od > 0)) break;
      let nxx = 2 * oxx;
      let nxy = 2 * oxy;
      let nyy = 2 * oyy;
      if (axx > 0 && ad > 0) {
        nxx = ayy / ad;
        nxy = -axy / ad;
        nyy = axx / ad;
        const grow = Math.sqrt((nxx * nyy - nxy * nxy) / wd);
        if (grow > 3) {
          const back = 3 / grow;
          nxx *= back;
          nxy *= back;
          nyy *= back;
        }
      }
      const d = (nxx - nyy) / 2;
      const middle = (nxx + nyy) / 2;
      const root = Math.sqrt(d * d + nxy * nxy);
      if (!(middle - root >= least && middle + root <= most)) break;
      const change = (Math.abs(nxx - sxx) + Math.abs(nyy - syy) + 2 * Math.abs(nxy - sxy)) / (nxx + nyy);
      sxx = nxx;
      sxy = nxy;
      syy = nyy;
      add = widening(sxx, sxy, syy, coarse);
      if ((change < 4e-3 * (1 - root / middle) && mx * mx + my * my < 1e-5 * (nxx + nyy)) || round === rounds - 1) {
        good = 1;
        p = weigh(a, w, h, parity, x, y, sxx + add, mixed(sxx, sxy, syy), syy + add, background, false);
        break;
      }
    }
    at[1] = x;
    at[2] = y;
    at[3] = sxx;
    at[4] = sxy;
    at[5] = syy;
    at[13] = good;
    if (p !== null) {
      at[14] = p.sum;
      at[15] = p.weight2;
      at[16] = p.light2;
      at[17] = p.peak;
      at[18] = p.covered;
    }
    at[19] = sxx + add;
    at[20] = mixed(sxx, sxy, syy);
    at[21] = syy + add;
  }
}
