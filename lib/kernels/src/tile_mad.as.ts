// Medians of absolute values, by halving an interval of bit patterns, which rise as absolute values do.
import { floatA } from "./planes.as";

@inline function lanesOf(c: v128): i32 {
  return (i32x4.extract_lane(c, 0) + i32x4.extract_lane(c, 1)) + (i32x4.extract_lane(c, 2) + i32x4.extract_lane(c, 3));
}
// How many of the absolute values from p to end, whole pairs of vectors, are at most `limit`, as bits.
function countUpTo(p: usize, end: usize, limit: i32): i32 {
  const m = i32x4.splat(limit);
  let c = i32x4.splat(0);
  let d = c;
  for (; p < end; p += 32) {
    c = i32x4.sub(c, i32x4.le_s(v128.load(p), m));
    d = i32x4.sub(d, i32x4.le_s(v128.load(p, 16), m));
  }
  return lanesOf(i32x4.add(c, d));
}
function greatestUpTo(p: usize, end: usize, limit: i32): i32 {
  const m = i32x4.splat(limit);
  let v = i32x4.splat(-1);
  for (; p < end; p += 16) {
    const s = v128.load(p);
    v = i32x4.max_s(v, v128.bitselect(s, i32x4.splat(-1), i32x4.le_s(s, m)));
  }
  return max(
    max(i32x4.extract_lane(v, 0), i32x4.extract_lane(v, 1)),
    max(i32x4.extract_lane(v, 2), i32x4.extract_lane(v, 3)),
  );
}
function leastAbove(p: usize, end: usize, limit: i32): i32 {
  const m = i32x4.splat(limit);
  const none = i32x4.splat(i32.MAX_VALUE);
  let v = none;
  for (; p < end; p += 16) {
    const s = v128.load(p);
    v = i32x4.min_s(v, v128.bitselect(s, none, i32x4.gt_s(s, m)));
  }
  return min(
    min(i32x4.extract_lane(v, 0), i32x4.extract_lane(v, 1)),
    min(i32x4.extract_lane(v, 2), i32x4.extract_lane(v, 3)),
  );
}

// Median of the n smallest absolute values from p to end, n ≥ 1: the mean of the two in the middle when n is even.
function middleOfSmallest(p: usize, end: usize, n: i32): f64 {
  const want = (n + 1) >> 1;
  // Above `low` and up to `high` lies the want-th; `below` are at most low, `upTo` at most high.
  let low = -1;
  let high: i32 = 0x7f800000;
  let below = 0;
  let upTo = i32.MAX_VALUE;
  let middle = -1;
  while (high - low > 1) {
    if (below == want - 1) {
      middle = leastAbove(p, end, low);
      break;
    }
    if (upTo == want) {
      middle = greatestUpTo(p, end, high);
      break;
    }
    const m = low + ((high - low) >> 1);
    const c = countUpTo(p, end, m);
    if (c >= want) {
      high = m;
      upTo = c;
    } else {
      low = m;
      below = c;
    }
  }
  if (middle < 0) middle = high;
  const lower = <f64>reinterpret<f32>(middle);
  if (n & 1) return lower;
  const upper = countUpTo(p, end, middle) > want ? middle : leastAbove(p, end, middle);
  return (lower + <f64>reinterpret<f32>(upper)) / 2;
}

// Bits that no absolute value reaches fill a list to whole pairs of vectors.
@inline function closeList(end: usize, start: usize): usize {
  while ((end - start) & 31) {
    store<i32>(end, i32.MAX_VALUE);
    end += 4;
  }
  return end;
}

// Of tiles between the given columns and rows (one more than there are tiles, whole numbers in scratch) of a plane
// with rows of w samples: the median absolute value of every step-th sample each way, and how many of them have data;
// two doubles a tile at `out`.
export function tileMads(
  a: usize, w: i32, columns: usize, across: i32, rows: usize, down: i32, step: i32, room: usize, out: usize,
): void {
  for (let r = 0; r < down; r++) {
    const y0 = load<i32>(rows + (<usize>r << 2));
    const y1 = load<i32>(rows + (<usize>r << 2), 4);
    for (let c = 0; c < across; c++, out += 16) {
      const x0 = load<i32>(columns + (<usize>c << 2));
      const x1 = load<i32>(columns + (<usize>c << 2), 4);
      let to = room;
      for (let y = y0; y < y1; y += step) {
        let p = a + (<usize>(y * w + x0) << 2);
        for (let x = x0; x < x1; x += step, p += <usize>step << 2) {
          const v = abs(floatA(p));
          store<f32>(to, v);
          if (v == v) to += 4;
        }
      }
      const n = <i32>((to - room) >> 2);
      store<f64>(out, n > 0 ? middleOfSmallest(room, closeList(to, room), n) : NaN);
      store<f64>(out, n, 8);
    }
  }
}

// Standard deviation by the median absolute value of every stride-th of `length` samples, clipped at 3 of it up to so
// many times; see clippedMad.
export function clippedMad(
  a: usize, length: i32, stride: i32, room: usize, rounds: i32, toSigma: f64, afterClip: f64,
): f64 {
  let to = room;
  for (let i = 0; i < length; i += stride) {
    const v = abs(floatA(a + (<usize>i << 2)));
    store<f32>(to, v);
    if (v == v) to += 4;
  }
  let n = <i32>((to - room) >> 2);
  if (n == 0) return NaN;
  const end = closeList(to, room);
  let sigma = toSigma * middleOfSmallest(room, end, n);
  for (let round = 0; round < rounds; round++) {
    // The largest float that is not above three sigma.
    const limit = 3 * sigma;
    let near = reinterpret<i32>(<f32>limit);
    if (<f64>reinterpret<f32>(near) > limit) near--;
    const m = countUpTo(room, end, near);
    if (m == n || m == 0) break;
    n = m;
    sigma = toSigma * middleOfSmallest(room, end, n) / afterClip;
  }
  return sigma;
}
