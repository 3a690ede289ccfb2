// What the detection of stars does with every sample: means of 2 × 2, levels and noise of tiles, surfaces taken off,
// smoothing, peaks.
import { floatA, loadA, loadA16, putO, storeO } from "./planes.as";

@inline function meanOfKnown(a: f32, b: f32, c: f32, d: f32): f32 {
  let sum: f32 = 0;
  let n: f32 = 0;
  if (a == a) { sum += a; n += 1; }
  if (b == b) { sum += b; n += 1; }
  if (c == c) { sum += c; n += 1; }
  if (d == d) { sum += d; n += 1; }
  return sum / n;
}
@inline function oneMean(p: usize, q: usize, parity: i32): f32 {
  const none = <f32>NaN;
  return parity < 0
    ? meanOfKnown(floatA(p), floatA(p + 4), floatA(q), floatA(q + 4))
    : parity == 0
    ? meanOfKnown(floatA(p), floatA(q + 4), none, none)
    : meanOfKnown(floatA(p + 4), floatA(q), none, none);
}

// Means of the known of 2 × 2 samples, or of the two with (x + y) mod 2 = parity; gw × gh of them from rows of w
// samples.
export function blockMeans(a: usize, o: usize, w: i32, gw: i32, gh: i32, parity: i32): void {
  const row = <usize>w << 2;
  const quarter = f32x4.splat(0.25);
  const half = f32x4.splat(0.5);
  for (let y = 0; y < gh; y++) {
    let p = a + <usize>(2 * y) * row;
    let q = p + row;
    let x = 0;
    for (; x + 4 <= gw; x += 4, p += 32, q += 32, o += 16) {
      const p0 = loadA(p);
      const p1 = loadA16(p);
      const q0 = loadA(q);
      const q1 = loadA16(q);
      let s: v128;
      if (parity < 0) {
        const u = f32x4.add(p0, q0);
        const v = f32x4.add(p1, q1);
        s = f32x4.mul(f32x4.add(v128.shuffle<f32>(u, v, 0, 2, 4, 6), v128.shuffle<f32>(u, v, 1, 3, 5, 7)), quarter);
      } else if (parity == 0) {
        s = f32x4.mul(f32x4.add(v128.shuffle<f32>(p0, p1, 0, 2, 4, 6), v128.shuffle<f32>(q0, q1, 1, 3, 5, 7)), half);
      } else {
        s = f32x4.mul(f32x4.add(v128.shuffle<f32>(p0, p1, 1, 3, 5, 7), v128.shuffle<f32>(q0, q1, 0, 2, 4, 6)), half);
      }
      storeO(o, s);
      if (v128.any_true(f32x4.ne(s, s))) {
        for (let k: usize = 0; k < 4; k++) putO(o + (k << 2), oneMean(p + (k << 3), q + (k << 3), parity));
      }
    }
    for (; x < gw; x++, p += 8, q += 8, o += 4) {
      let s: f32 = parity < 0
        ? ((floatA(p) + floatA(q)) + (floatA(p + 4) + floatA(q + 4))) * 0.25
        : parity == 0
        ? (floatA(p) + floatA(q + 4)) * 0.5
        : (floatA(p + 4) + floatA(q)) * 0.5;
      if (s != s) s = oneMean(p, q, parity);
      putO(o, s);
    }
  }
}

@inline function lanesOf(c: v128): i32 {
  return (i32x4.extract_lane(c, 0) + i32x4.extract_lane(c, 1)) + (i32x4.extract_lane(c, 2) + i32x4.extract_lane(c, 3));
}
function countUpTo(p: usize, end: usize, limit: f32): i32 {
  const m = f32x4.splat(limit);
  let c = i32x4.splat(0);
  let d = c;
  for (; p < end; p += 32) {
    c = i32x4.sub(c, f32x4.le(v128.load(p), m));
    d = i32x4.sub(d, f32x4.le(v128.load(p, 16), m));
  }
  return lanesOf(i32x4.add(c, d));
}
function greatestUpTo(p: usize, end: usize, limit: f32): f32 {
  const m = f32x4.splat(limit);
  const none = f32x4.splat(-Infinity);
  let v = none;
  for (; p < end; p += 16) {
    const s = v128.load(p);
    v = f32x4.pmax(v, v128.bitselect(s, none, f32x4.le(s, m)));
  }
  return max(max(f32x4.extract_lane(v, 0), f32x4.extract_lane(v, 1)), max(f32x4.extract_lane(v, 2), f32x4.extract_lane(v, 3)));
}
function leastAbove(p: usize, end: usize, limit: f32): f32 {
  const m = f32x4.splat(limit);
  const none = f32x4.splat(Infinity);
  let v = none;
  for (; p < end; p += 16) {
    const s = v128.load(p);
    v = f32x4.pmin(v, v128.bitselect(s, none, f32x4.gt(s, m)));
  }
  return min(min(f32x4.extract_lane(v, 0), f32x4.extract_lane(v, 1)), min(f32x4.extract_lane(v, 2), f32x4.extract_lane(v, 3)));
}

// The want-th of n floats in scratch (1 = least), which are padded with infinities to whole pairs of vectors here:
// false position on counts, from a guess of where it lies. Exact; but of ties within a good guess, where it stops
// within 1/512 of the guess's width.
function ranked(p: usize, n: i32, want: i32, low: f32, high: f32): f32 {
  let end = p + (<usize>n << 2);
  while ((end - p) & 31) {
    store<f32>(end, Infinity);
    end += 4;
  }
  let cl = countUpTo(p, end, low);
  let ch = 0;
  let near = (high - low) / 512;
  if (cl < want) ch = countUpTo(p, end, high);
  if (!(cl < want && ch >= want)) {
    low = leastAbove(p, end, -Infinity);
    cl = countUpTo(p, end, low);
    if (cl >= want) return low;
    high = greatestUpTo(p, end, <f32>3.4028234e38);
    ch = n;
    near = 0;
  }
  for (let k = 0; k < 60; k++) {
    if (!(high - low > near)) break;
    // Every third step halves, so that one outlier far off cannot make it creep.
    let part: f64 = 0.5;
    if (k % 3 != 2) part = min(0.95, max(0.05, (<f64>want - 0.5 - <f64>cl) / (<f64>ch - <f64>cl)));
    const m = <f32>(<f64>low + (<f64>high - <f64>low) * part);
    if (!(m > low && m < high)) break;
    const c = countUpTo(p, end, m);
    if (c == want) return greatestUpTo(p, end, m);
    if (c == want - 1) return leastAbove(p, end, m);
    if (c < want) {
      low = m;
      cl = c;
    } else {
      high = m;
      ch = c;
    }
  }
  return leastAbove(p, end, low);
}

@inline function distances(from: usize, to: usize, n: i32, centre: f32): void {
  const c = f32x4.splat(centre);
  for (let i = 0; i < n; i += 4) {
    v128.store(to, f32x4.abs(f32x4.sub(v128.load(from), c)));
    from += 16;
    to += 16;
  }
}

// Level and noise of tiles of a grid from every step-th row, two doubles each at `out`; `room` holds three lists of
// `most` floats, a multiple of 8.
export function tileStatistics(
  a: usize, w: i32, h: i32, tile: i32, columns: i32, rows: i32, step: i32, room: usize, most: i32, out: usize,
): void {
  const samples = room;
  const bends = room + (<usize>most << 2);
  const spread = room + (<usize>most << 3);
  let guess: f32 = 0;
  let width: f32 = 0;
  let turn: f32 = 0;
  for (let r = 0; r < rows; r++) {
    const y0 = r * tile;
    const y1 = r == rows - 1 ? h : y0 + tile;
    for (let c = 0; c < columns; c++, out += 16) {
      const x0 = c * tile;
      const x1 = c == columns - 1 ? w : x0 + tile;
      let n = 0;
      let b = 0;
      let seen = 0;
      for (let y = y0; y < y1; y += step) {
        seen += x1 - x0;
        let p = a + (<usize>(y * w + x0) << 2);
        for (let x = x0; x < x1; ) {
          if (x > 0 && x + 4 <= x1 && x + 4 < w) {
            const v = loadA(p);
            const d = f32x4.sub(f32x4.sub(f32x4.add(v, v), loadA(p - 4)), loadA(p + 4));
            if (!v128.any_true(f32x4.ne(d, d))) {
              v128.store(samples + (<usize>n << 2), v);
              v128.store(bends + (<usize>b << 2), f32x4.abs(d));
              n += 4;
              b += 4;
              x += 4;
              p += 16;
              continue;
            }
          }
          const v = floatA(p);
          if (v == v) {
            store<f32>(samples + (<usize>n << 2), v);
            n++;
            if (x > 0 && x < w - 1) {
              const d = (v + v) - floatA(p - 4) - floatA(p + 4);
              if (d == d) {
                store<f32>(bends + (<usize>b << 2), abs(d));
                b++;
              }
            }
          }
          x++;
          p += 4;
        }
      }
      if (n < 1 || 4 * n < seen || b < 1) {
        store<f64>(out, NaN);
        store<f64>(out, NaN, 8);
        continue;
      }
      const want = (n >> 1) + 1;
      const centre = ranked(samples, n, want, guess - 4 * width, guess + 4 * width);
      distances(samples, spread, n, centre);
      const mad = ranked(spread, n, want, 0, 2 * width);
      const sigma = <f32>1.4826022 * mad;
      guess = centre;
      width = mad;
      // Clipped once: stars in the tile lift the median by less than a tenth of sigma, and what they lift the
      // mode gives back.
      const reach = <f32>2.5 * sigma;
      const far = f32x4.splat(reach);
      const nearest = f32x4.splat(-reach);
      const middling = f32x4.splat(centre);
      let kept = i32x4.splat(0);
      let below = kept;
      let total = f32x4.splat(0);
      for (let i = 0; i < n; i += 4) {
        // Behind the samples stand infinities.
        const d = f32x4.sub(v128.load(samples + (<usize>i << 2)), middling);
        const low = f32x4.lt(d, nearest);
        const inside = v128.andnot(f32x4.le(d, far), low);
        below = i32x4.sub(below, low);
        kept = i32x4.sub(kept, inside);
        total = f32x4.add(total, v128.and(d, inside));
      }
      const under = lanesOf(below);
      const within = lanesOf(kept);
      const sum = (f32x4.extract_lane(total, 0) + f32x4.extract_lane(total, 2)) + (f32x4.extract_lane(total, 1) + f32x4.extract_lane(total, 3));
      const mean = <f64>centre + <f64>sum / <f64>within;
      const median = <f64>ranked(samples, n, under + (within >> 1) + 1, centre - mad, centre + mad);
      store<f64>(out, abs(mean - median) <= 0.3 * <f64>sigma ? 2.5 * median - 1.5 * mean : median);
      // Stars are in some of the differences: cut at 2.5 sigma and take the median of the rest, which for a normal is
      // 0.66405 sigma.
      const typical = ranked(bends, b, (b >> 1) + 1, 0, 2 * turn);
      const cut = <f32>(2.5 * 1.482602218505602) * typical;
      turn = typical;
      const end = bends + (((<usize>b << 2) + 31) & ~31);
      const calm = countUpTo(bends, end, cut);
      store<f64>(out, <f64>ranked(bends, b, (calm >> 1) + 1, <f32>0.5 * typical, typical) / (0.66405 * sqrt(<f64>6)), 8);
    }
  }
}

// Median of seven, lane by lane.
@inline function medianOfSeven(p0: v128, p1: v128, p2: v128, p3: v128, p4: v128, p5: v128, p6: v128): v128 {
  let t = f32x4.pmin(p0, p5); p5 = f32x4.pmax(p0, p5); p0 = t;
  t = f32x4.pmin(p0, p3); p3 = f32x4.pmax(p0, p3); p0 = t;
  t = f32x4.pmin(p1, p6); p6 = f32x4.pmax(p1, p6); p1 = t;
  t = f32x4.pmin(p2, p4); p4 = f32x4.pmax(p2, p4); p2 = t;
  p1 = f32x4.pmax(p0, p1);
  t = f32x4.pmin(p3, p5); p5 = f32x4.pmax(p3, p5); p3 = t;
  t = f32x4.pmin(p2, p6); p6 = f32x4.pmax(p2, p6); p2 = t;
  p3 = f32x4.pmax(p2, p3);
  p3 = f32x4.pmin(p3, p6);
  p4 = f32x4.pmin(p4, p5);
  t = f32x4.pmin(p1, p4); p4 = f32x4.pmax(p1, p4); p1 = t;
  p3 = f32x4.pmax(p1, p3);
  return f32x4.pmin(p3, p4);
}

// Each of three rows sorted; then the median of the greatest least, the median of medians and the least greatest.
@inline function medianOfThree(a: v128, b: v128, c: v128): v128 {
  return f32x4.pmax(f32x4.pmin(a, b), f32x4.pmin(f32x4.pmax(a, b), c));
}
@inline function lowest(p: usize): v128 {
  return f32x4.pmin(f32x4.pmin(v128.load(p - 4), v128.load(p)), v128.load(p + 4));
}
@inline function highest(p: usize): v128 {
  return f32x4.pmax(f32x4.pmax(v128.load(p - 4), v128.load(p)), v128.load(p + 4));
}
@inline function rowMedian(p: usize): v128 {
  return medianOfThree(v128.load(p - 4), v128.load(p), v128.load(p + 4));
}
@inline function medianOfNine(p: usize, q: usize, r: usize): v128 {
  const least = f32x4.pmax(f32x4.pmax(lowest(p), lowest(q)), lowest(r));
  const greatest = f32x4.pmin(f32x4.pmin(highest(p), highest(q)), highest(r));
  return medianOfThree(least, medianOfThree(rowMedian(p), rowMedian(q), rowMedian(r)), greatest);
}

// Level of tiles of 8 × 8 samples without gaps, columns × rows floats at `out`: the median of the first seven columns'
// medians of their first seven samples. `line` holds 8 (columns + 3) floats. At `smooth` the median of 3 × 3 of them,
// but for the outermost.
export function tileMedians(a: usize, w: i32, columns: i32, rows: i32, line: usize, out: usize, smooth: usize): void {
  const levels = out;
  const row = <usize>w << 2;
  const whole = columns & ~3;
  for (let r = 0; r < rows; r++) {
    let p = a + <usize>(8 * r) * row;
    for (let x = 0; x < columns * 8; x += 4, p += 16) {
      v128.store(line + (<usize>x << 2), medianOfSeven(
        loadA(p), loadA(p + row), loadA(p + 2 * row), loadA(p + 3 * row), loadA(p + 4 * row), loadA(p + 5 * row), loadA(p + 6 * row)));
    }
    for (let c = 0; c < columns; c += 4, out += 16) {
      const l = line + (<usize>c << 5);
      const a0 = v128.load(l);
      const a1 = v128.load(l, 32);
      const a2 = v128.load(l, 64);
      const a3 = v128.load(l, 96);
      const b0 = v128.load(l, 16);
      const b1 = v128.load(l, 48);
      const b2 = v128.load(l, 80);
      const b3 = v128.load(l, 112);
      const t0 = v128.shuffle<f32>(a0, a1, 0, 4, 1, 5);
      const t1 = v128.shuffle<f32>(a2, a3, 0, 4, 1, 5);
      const t2 = v128.shuffle<f32>(a0, a1, 2, 6, 3, 7);
      const t3 = v128.shuffle<f32>(a2, a3, 2, 6, 3, 7);
      const u0 = v128.shuffle<f32>(b0, b1, 0, 4, 1, 5);
      const u1 = v128.shuffle<f32>(b2, b3, 0, 4, 1, 5);
      const u2 = v128.shuffle<f32>(b0, b1, 2, 6, 3, 7);
      const u3 = v128.shuffle<f32>(b2, b3, 2, 6, 3, 7);
      const m = medianOfSeven(
        v128.shuffle<f32>(t0, t1, 0, 1, 4, 5), v128.shuffle<f32>(t0, t1, 2, 3, 6, 7), v128.shuffle<f32>(t2, t3, 0, 1, 4, 5),
        v128.shuffle<f32>(t2, t3, 2, 3, 6, 7), v128.shuffle<f32>(u0, u1, 0, 1, 4, 5), v128.shuffle<f32>(u0, u1, 2, 3, 6, 7),
        v128.shuffle<f32>(u2, u3, 0, 1, 4, 5));
      v128.store(out, m);
    }
    // The last vector of a row may have run over: the next row starts where this one ends.
    if (columns != whole) out -= <usize>(4 - (columns - whole)) << 2;
  }
  for (let r = 1; r < rows - 1; r++) {
    for (let c = 1; c < columns - 1; c += 4) {
      const at = levels + (<usize>(r * columns + c) << 2);
      v128.store(smooth + (at - levels), medianOfNine(at - (<usize>columns << 2), at, at + (<usize>columns << 2)));
    }
  }
}

// A grid less a surface, gaps 0. The surface: rows of a mesh, drawn out along x into `lines` (w floats each), between
// which y is interpolated, and to half a row beyond; sample y lies at row (y − first) / tile of them.
export function subtractLines(a: usize, o: usize, w: i32, h: i32, lines: usize, rows: i32, tile: f64, first: f64): void {
  const row = <usize>w << 2;
  for (let y = 0; y < h; y++, a += row, o += row) {
    const v = min(<f64>rows - 0.5, max(-0.5, (<f64>y - first) / tile));
    const r = max(0, min(rows - 2, <i32>v));
    const part = <f32>(v - <f64>r);
    const p = lines + <usize>r * row;
    const q = lines + <usize>min(rows - 1, r + 1) * row;
    const k = f32x4.splat(part);
    let x: usize = 0;
    for (; x + 16 <= row; x += 16) {
      const s = v128.load(p + x);
      const d = f32x4.sub(loadA(a + x), f32x4.add(s, f32x4.mul(f32x4.sub(v128.load(q + x), s), k)));
      storeO(o + x, v128.and(d, f32x4.eq(d, d)));
    }
    for (; x < row; x += 4) {
      const s = load<f32>(p + x);
      const d = floatA(a + x) - (s + (load<f32>(q + x) - s) * part);
      putO(o + x, d == d ? d : 0);
    }
  }
}

// Median of every stride-th sample of each line, a float each at `out`; `room` for count + 8 floats. 0 is the guess,
// `noise` its doubt.
export function lineMedians(
  a: usize, lines: i32, lineStep: i32, count: i32, sampleStep: i32, room: usize, noise: f32, out: usize,
): void {
  for (let l = 0; l < lines; l++, out += 4) {
    let p = a + (<usize>(l * lineStep) << 2);
    for (let k = 0; k < count; k++, p += <usize>sampleStep << 2) store<f32>(room + (<usize>k << 2), floatA(p));
    store<f32>(out, ranked(room, count, (count >> 1) + 1, -noise, noise));
  }
}

// [1 2 1] ⊗ [1 2 1] / 16, the border's samples repeated; `line` holds w + 2 floats.
export function smoothGrid(a: usize, o: usize, w: i32, h: i32, line: usize): void {
  const row = <usize>w << 2;
  const l = line + 4;
  const last = l + row;
  const sixteenth = f32x4.splat(0.0625);
  for (let y = 0; y < h; y++, o += row) {
    const b = a + <usize>y * row;
    const p = y == 0 ? b : b - row;
    const q = y == h - 1 ? b : b + row;
    let x: usize = 0;
    for (; x + 16 <= row; x += 16) {
      const m = loadA(b + x);
      v128.store(l + x, f32x4.add(f32x4.add(loadA(p + x), loadA(q + x)), f32x4.add(m, m)));
    }
    for (; x < row; x += 4) {
      const m = floatA(b + x);
      store<f32>(l + x, (floatA(p + x) + floatA(q + x)) + (m + m));
    }
    store<f32>(line, load<f32>(l));
    store<f32>(last, load<f32>(last - 4));
    for (x = 0; x + 16 <= row; x += 16) {
      const m = v128.load(l + x);
      const s = f32x4.add(v128.load(l + x - 4), v128.load(l + x + 4));
      storeO(o + x, f32x4.mul(f32x4.add(s, f32x4.add(m, m)), sixteenth));
    }
    for (; x < row; x += 4) {
      const m = load<f32>(l + x);
      putO(o + x, ((load<f32>(l + x - 4) + load<f32>(l + x + 4)) + (m + m)) * 0.0625);
    }
  }
}

@inline function isPeak(a: usize, w: i32, h: i32, x: i32, y: i32): bool {
  const p = a + (<usize>(y * w + x) << 2);
  const row = <usize>w << 2;
  const v = floatA(p);
  const left = x > 0;
  const right = x < w - 1;
  if ((left && !(v > floatA(p - 4))) || (right && !(v >= floatA(p + 4)))) return false;
  if (y > 0) {
    const u = p - row;
    if (!(v > floatA(u)) || (left && !(v > floatA(u - 4))) || (right && !(v > floatA(u + 4)))) return false;
  }
  if (y < h - 1) {
    const u = p + row;
    if (!(v >= floatA(u)) || (left && !(v >= floatA(u - 4))) || (right && !(v >= floatA(u + 4)))) return false;
  }
  return true;
}

// Samples above the limit of their tile (columns × rows floats) and above their neighbours: their indices as integers
// at `out`, behind their number. Of equal neighbours the first in reading order stays.
export function findPeaks(a: usize, w: i32, h: i32, limits: usize, columns: i32, rows: i32, tile: i32, most: i32, out: usize): void {
  const row = <usize>w << 2;
  let n = 0;
  for (let y = 0; y < h; y++) {
    const r = min(rows - 1, y / tile);
    for (let c = 0; c < columns; c++) {
      const limit = load<f32>(limits + (<usize>(r * columns + c) << 2));
      const m = f32x4.splat(limit);
      const end = c == columns - 1 ? w : (c + 1) * tile;
      let x = c * tile;
      let p = a + (<usize>(y * w + x) << 2);
      for (; x < end; x += 16, p += 64) {
        if (x + 16 <= end && !v128.any_true(v128.or(
          v128.or(f32x4.gt(loadA(p), m), f32x4.gt(loadA(p + 16), m)), v128.or(f32x4.gt(loadA(p + 32), m), f32x4.gt(loadA(p + 48), m))))) continue;
        const stop = min(end, x + 16);
        let k = x;
        let q = p;
        for (; k < stop; k += 4, q += 16) {
          const last = min(stop, k + 4);
          // Which of the four are above the limit and their neighbours; at a border one by one.
          if (last - k == 4) {
            const v = loadA(q);
            let mask = f32x4.gt(v, m);
            if (!v128.any_true(mask)) continue;
            if (y > 0 && y < h - 1 && k > 0 && last < w) {
              const u = q - row;
              const d = q + row;
              mask = v128.and(mask, v128.and(f32x4.gt(v, loadA(q - 4)), f32x4.ge(v, loadA(q + 4))));
              mask = v128.and(mask, v128.and(f32x4.gt(v, loadA(u)), f32x4.ge(v, loadA(d))));
              mask = v128.and(mask, v128.and(f32x4.gt(v, loadA(u - 4)), f32x4.gt(v, loadA(u + 4))));
              mask = v128.and(mask, v128.and(f32x4.ge(v, loadA(d - 4)), f32x4.ge(v, loadA(d + 4))));
              for (let bits = i32x4.bitmask(mask); bits != 0 && n < most; bits &= bits - 1) {
                store<i32>(out + (<usize>(n + 1) << 2), y * w + k + ctz(bits));
                n++;
              }
              continue;
            }
          }
          for (let j = k; j < last; j++) {
            if (floatA(a + (<usize>(y * w + j) << 2)) > limit && isPeak(a, w, h, j, y) && n < most) {
              store<i32>(out + (<usize>(n + 1) << 2), y * w + j);
              n++;
            }
          }
        }
      }
    }
  }
  store<i32>(out, n);
}

// Samples three away from a peak, sorted as they come: the median of the eight, those beyond a border moved to it.
function around(a: usize, w: i32, h: i32, x: i32, y: i32, room: usize): f64 {
  for (let k = 0; k < 8; k++) {
    // East, south-east and so on: 3, 2, 0, −2, −3, −2, 0, 2.
    const ex = k == 0 ? 3 : k == 4 ? -3 : (k & 3) == 2 ? 0 : k == 1 || k == 7 ? 2 : -2;
    const ey = k == 2 ? 3 : k == 6 ? -3 : (k & 3) == 0 ? 0 : k < 4 ? 2 : -2;
    const v = floatA(a + (<usize>(max(0, min(h - 1, y + ey)) * w + max(0, min(w - 1, x + ex))) << 2));
    let q = room + (<usize>k << 2);
    for (; q > room && load<f32>(q - 4) > v; q -= 4) store<f32>(q, load<f32>(q - 4));
    store<f32>(q, v);
  }
  return (<f64>load<f32>(room, 12) + <f64>load<f32>(room, 16)) / 2;
}

// For each of a list of eight doubles (index of a peak, floor): the region around it that stays at or above the floor,
// NaN none: area, x, y, xx, xy, yy, 1 if it meets another's; and before these the median of the samples around.
// `marks` holds a byte a sample and sixteen more (1: another region's, 2: this one's), `room` a queue.
export function regions(a: usize, w: i32, h: i32, list: usize, count: i32, marks: usize, room: usize, most: i32): void {
  for (let q = marks; q < marks + <usize>(w * h); q += 16) v128.store(q, i32x4.splat(0));
  for (let k = 0; k < count; k++, list += 64) {
    const start = <i32>load<f64>(list);
    const floor = <f32>load<f64>(list, 8);
    const x0 = start % w;
    const y0 = start / w;
    const limit = f32x4.splat(floor);
    let tail = 1;
    let mx = 0.0;
    let my = 0.0;
    let sxx = 0.0;
    let sxy = 0.0;
    let syy = 0.0;
    let meets = load<u8>(marks + <usize>start) != 0;
    if (!meets && floor == floor) {
      let head = 0;
      let sx = 0.0;
      let sy = 0.0;
      let weight = 0.0;
      store<i32>(room, start);
      store<u8>(marks + <usize>start, 2);
      while (head < tail && tail < most) {
        const i = load<i32>(room + (<usize>head << 2));
        const y = i / w;
        const x = i - y * w;
        const dx = <f64>(x - x0);
        const dy = <f64>(y - y0);
        const v = <f64>floatA(a + (<usize>i << 2));
        head++;
        sx += v * dx;
        sy += v * dy;
        sxx += v * dx * dx;
        sxy += v * dx * dy;
        syy += v * dy * dy;
        weight += v;
        const whole = x > 0 && x + 2 < w;
        const low = min(h - 1, y + 1);
        for (let ny = max(0, y - 1); ny <= low; ny++) {
          const from = ny * w + x - 1;
          // Three neighbours at once: which are at or above the floor and not this region's yet.
          let bits = 0;
          if (whole) {
            const own = (load<u32>(marks + <usize>from) >> 1) & 0x010101;
            bits = i32x4.bitmask(f32x4.ge(loadA(a + (<usize>from << 2)), limit)) & 7 & ~(own | (own >> 7) | (own >> 14));
          } else {
            for (let l = 0; l < 3; l++) {
              if (x + l < 1 || x + l > w) continue;
              if (floatA(a + (<usize>(from + l) << 2)) >= floor && load<u8>(marks + <usize>(from + l)) != 2) bits |= 1 << l;
            }
          }
          for (; bits != 0; bits &= bits - 1) {
            const j = from + ctz(bits);
            if (load<u8>(marks + <usize>j) != 0) {
              meets = true;
              continue;
            }
            store<u8>(marks + <usize>j, 2);
            store<i32>(room + (<usize>tail << 2), j);
            tail++;
          }
        }
      }
      for (let q = 0; q < tail; q++) store<u8>(marks + <usize>load<i32>(room + (<usize>q << 2)), 1);
      mx = sx / weight;
      my = sy / weight;
      sxx = sxx / weight - mx * mx;
      sxy = sxy / weight - mx * my;
      syy = syy / weight - my * my;
    }
    store<f64>(list, around(a, w, h, x0, y0, room));
    store<f64>(list, <f64>tail, 8);
    store<f64>(list, <f64>x0 + mx, 16);
    store<f64>(list, <f64>y0 + my, 24);
    store<f64>(list, sxx, 32);
    store<f64>(list, sxy, 40);
    store<f64>(list, syy, 48);
    store<f64>(list, meets ? 1 : 0, 56);
  }
}

// The eighth and ninth of sixteen samples at offsets from each place of a list, two floats each at `out`; four places
// at a time, sorted by merging odd and even halves. `room` holds sixteen vectors.
export function ringMedians(a: usize, places: usize, count: i32, offsets: usize, room: usize, out: usize): void {
  for (let k = 0; k < count; k += 4, places += 16, out += 32) {
    for (let l: usize = 0; l < 16; l += 4) {
      const from = a + (<usize>load<i32>(places + l) << 2);
      for (let i: usize = 0; i < 16; i++) store<f32>(room + (i << 4) + l, floatA(from + (<usize>load<i32>(offsets + (i << 2)) << 2)));
    }
    for (let p = 1; p < 16; p <<= 1) {
      for (let d = p; d > 0; d >>= 1) {
        for (let j = d & (p - 1); j + d < 16; j += 2 * d) {
          for (let i = j; i < j + d && i + d < 16; i++) {
            if (i / (2 * p) != (i + d) / (2 * p)) continue;
            const q = room + (<usize>i << 4);
            const r = q + (<usize>d << 4);
            const u = v128.load(q);
            const v = v128.load(r);
            v128.store(q, f32x4.pmin(u, v));
            v128.store(r, f32x4.pmax(u, v));
          }
        }
      }
    }
    const low = v128.load(room, 112);
    const high = v128.load(room, 128);
    v128.store(out, v128.shuffle<f32>(low, high, 0, 4, 1, 5));
    v128.store(out, v128.shuffle<f32>(low, high, 2, 6, 3, 7), 16);
  }
}
