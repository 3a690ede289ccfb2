// Levels and noise of tiles, medians of lines, and surfaces taken off.
import { floatA, loadA, putO, storeO } from "./planes.as";

@inline function lanesOf(c: v128): i32 {
  return (i32x4.extract_lane(c, 0) + i32x4.extract_lane(c, 1)) + (i32x4.extract_lane(c, 2) + i32x4.extract_lane(c, 3));
}
@inline function highestLane(v: v128): f32 {
  return max(
    max(f32x4.extract_lane(v, 0), f32x4.extract_lane(v, 1)),
    max(f32x4.extract_lane(v, 2), f32x4.extract_lane(v, 3)),
  );
}
@inline function lowestLane(v: v128): f32 {
  return min(
    min(f32x4.extract_lane(v, 0), f32x4.extract_lane(v, 1)),
    min(f32x4.extract_lane(v, 2), f32x4.extract_lane(v, 3)),
  );
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
  return highestLane(v);
}
function leastAbove(p: usize, end: usize, limit: f32): f32 {
  const m = f32x4.splat(limit);
  const none = f32x4.splat(Infinity);
  let v = none;
  for (; p < end; p += 16) {
    const s = v128.load(p);
    v = f32x4.pmin(v, v128.bitselect(s, none, f32x4.gt(s, m)));
  }
  return lowestLane(v);
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

function countEqual(p: usize, end: usize, value: f32): i32 {
  const m = f32x4.splat(value);
  let c = i32x4.splat(0);
  for (; p < end; p += 16) c = i32x4.sub(c, f32x4.eq(v128.load(p), m));
  return lanesOf(c);
}
function greatestBelow(p: usize, end: usize, limit: f32): f32 {
  const m = f32x4.splat(limit);
  const none = f32x4.splat(-Infinity);
  let v = none;
  for (; p < end; p += 16) {
    const s = v128.load(p);
    v = f32x4.pmax(v, v128.bitselect(s, none, f32x4.lt(s, m)));
  }
  return highestLane(v);
}

// The same in coarse steps: where more than one of 32 numbers has that value, they are taken as spread evenly over
// its step, and the step is entered as far as the rank goes (the median of grouped data). 0 begins its step.
function grouped(p: usize, n: i32, want: i32, low: f32, high: f32): f32 {
  const m = ranked(p, n, want, low, high);
  const end = p + (((<usize>n << 2) + 31) & ~31);
  const equal = countEqual(p, end, m);
  if (32 * equal <= n) return m;
  const lower = greatestBelow(p, end, m);
  const upper = leastAbove(p, end, m);
  let up: f32 = <f32>0.5 * (upper - m);
  let down: f32 = <f32>0.5 * (m - lower);
  if (lower == <f32>-Infinity) down = m == 0 || upper == <f32>Infinity ? 0 : up;
  if (upper == <f32>Infinity) up = down;
  const below = countUpTo(p, end, m) - equal;
  const part = <f32>((<f64>want - 0.5 - <f64>below) / <f64>equal);
  return m - down + (up + down) * part;
}

@inline function distances(from: usize, to: usize, n: i32, centre: f32): void {
  const c = f32x4.splat(centre);
  for (let i = 0; i < n; i += 4) {
    v128.store(to, f32x4.abs(f32x4.sub(v128.load(from), c)));
    from += 16;
    to += 16;
  }
}

// What `gather` found, and where the last tile's level, spread and bend were: the next one's are near.
let known: i32;
let bent: i32;
let seen: i32;
let guess: f32;
let width: f32;
let turn: f32;

// Samples of every step-th row of a tile, and at `bends` how much each differs from its neighbours; gaps left out.
function gather(
  a: usize, w: i32, x0: i32, x1: i32, y0: i32, y1: i32, step: i32, samples: usize, bends: usize,
): void {
  let n = 0;
  let b = 0;
  seen = 0;
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
  known = n;
  bent = b;
}

// Mode of n samples, clipped once: stars in the tile lift the median by less than a tenth of sigma, and what they lift
// the mode gives back.
function levelOf(samples: usize, spread: usize, n: i32): f64 {
  const want = (n >> 1) + 1;
  const centre = ranked(samples, n, want, guess - 4 * width, guess + 4 * width);
  distances(samples, spread, n, centre);
  const mad = grouped(spread, n, want, 0, 2 * width);
  const sigma = <f32>1.4826022 * mad;
  guess = centre;
  width = mad;
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
  const sum = (f32x4.extract_lane(total, 0) + f32x4.extract_lane(total, 2)) +
    (f32x4.extract_lane(total, 1) + f32x4.extract_lane(total, 3));
  const mean = <f64>centre + <f64>sum / <f64>within;
  const median = <f64>grouped(samples, n, under + (within >> 1) + 1, centre - mad, centre + mad);
  return abs(mean - median) <= 0.3 * <f64>sigma ? 2.5 * median - 1.5 * mean : median;
}

// Noise from b bends. Stars are in some of them: cut at 2.5 sigma and take the median of the rest, which for a normal
// is 0.66405 sigma.
function noiseOf(bends: usize, b: i32): f64 {
  const typical = grouped(bends, b, (b >> 1) + 1, 0, 2 * turn);
  const cut = <f32>(2.5 * 1.482602218505602) * typical;
  turn = typical;
  const end = bends + (((<usize>b << 2) + 31) & ~31);
  const calm = countUpTo(bends, end, cut);
  return <f64>grouped(bends, b, (calm >> 1) + 1, <f32>0.5 * typical, typical) / (0.66405 * sqrt(<f64>6));
}

// Level and noise of tiles of a grid from every step-th row, two doubles each at `out`; `room` holds three lists of
// `most` floats, a multiple of 8.
export function tileStatistics(
  a: usize, w: i32, h: i32, tile: i32, columns: i32, rows: i32, step: i32, room: usize, most: i32, out: usize,
): void {
  const bends = room + (<usize>most << 2);
  const spread = room + (<usize>most << 3);
  guess = 0;
  width = 0;
  turn = 0;
  for (let r = 0; r < rows; r++) {
    const y0 = r * tile;
    const y1 = r == rows - 1 ? h : y0 + tile;
    for (let c = 0; c < columns; c++, out += 16) {
      const x0 = c * tile;
      gather(a, w, x0, c == columns - 1 ? w : x0 + tile, y0, y1, step, room, bends);
      const tells = known >= 1 && 4 * known >= seen && bent >= 1;
      store<f64>(out, tells ? levelOf(room, spread, known) : NaN);
      store<f64>(out, tells ? noiseOf(bends, bent) : NaN, 8);
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
      const m = medianOfSeven(
        loadA(p), loadA(p + row), loadA(p + 2 * row), loadA(p + 3 * row),
        loadA(p + 4 * row), loadA(p + 5 * row), loadA(p + 6 * row),
      );
      v128.store(line + (<usize>x << 2), m);
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
        v128.shuffle<f32>(t0, t1, 0, 1, 4, 5),
        v128.shuffle<f32>(t0, t1, 2, 3, 6, 7),
        v128.shuffle<f32>(t2, t3, 0, 1, 4, 5),
        v128.shuffle<f32>(t2, t3, 2, 3, 6, 7),
        v128.shuffle<f32>(u0, u1, 0, 1, 4, 5),
        v128.shuffle<f32>(u0, u1, 2, 3, 6, 7),
        v128.shuffle<f32>(u2, u3, 0, 1, 4, 5),
      );
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
export function subtractLines(
  a: usize, o: usize, w: i32, h: i32, lines: usize, rows: i32, tile: f64, first: f64,
): void {
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
