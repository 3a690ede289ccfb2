/** The kernels of `src/detection.as.ts` in plain TypeScript; see machine.ts for what a twin is. */
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

/** The same in coarse steps; see `grouped` of the kernel. */
export function groupedTwin(p: Float32Array, n: number, want: number, low: number, high: number): number {
  const m = rankedTwin(p, n, want, low, high);
  let equal = 0;
  let below = 0;
  let lower = -Infinity;
  for (let i = 0; i < n; i++) {
    if (p[i] === m) equal++;
    else if (p[i] < m) {
      below++;
      if (p[i] > lower) lower = p[i];
    }
  }
  if (32 * equal <= n) return m;
  const upper = leastAbove(p, n, m);
  let up = f(0.5 * f(upper - m));
  let down = f(0.5 * f(m - lower));
  if (lower === -Infinity) down = m === 0 || upper === Infinity ? 0 : up;
  if (upper === Infinity) up = down;
  const part = f((want - 0.5 - below) / equal);
  return f(f(m - down) + f(f(up + down) * part));
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
      const mad = groupedTwin(spread, n, want, 0, f(2 * width));
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
      const median = groupedTwin(samples, n, below + (kept >> 1) + 1, f(centre - mad), f(centre + mad));
      out[at] = Math.abs(mean - median) <= 0.3 * sigma ? 2.5 * median - 1.5 * mean : median;
      const typical = groupedTwin(bends, b, (b >> 1) + 1, 0, f(2 * turn));
      const cut = f(f(2.5 * madSigmaFactor) * typical);
      turn = typical;
      const calm = countUpTo(bends, b, cut);
      out[at + 1] = groupedTwin(bends, b, (calm >> 1) + 1, f(0.5 * typical), typical) / (0.66405 * Math.sqrt(6));
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
  const medians = new Float32Array(7);
  const nine = new Float32Array(9);
  for (let r = 0; r < rows; r++) {
    for (let c = 0; c < columns; c++) {
      for (let x = 0; x < 7; x++) {
        for (let y = 0; y < 7; y++) seven[y] = a[(8 * r + y) * w + 8 * c + x];
        medians[x] = seven.sort()[3];
      }
      out[r * columns + c] = medians.sort()[3];
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
