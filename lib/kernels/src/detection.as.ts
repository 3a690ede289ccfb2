// What the detection of stars does with every sample: means of 2 × 2, smoothing, peaks.
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

// Whether any of sixteen samples lies above m.
@inline function anyOfSixteen(p: usize, m: v128): bool {
  const first = v128.or(f32x4.gt(loadA(p), m), f32x4.gt(loadA(p + 16), m));
  return v128.any_true(v128.or(first, v128.or(f32x4.gt(loadA(p + 32), m), f32x4.gt(loadA(p + 48), m))));
}

// Samples above the limit of their tile (columns × rows floats) and above their neighbours: their indices as integers
// at `out`, behind their number. Of equal neighbours the first in reading order stays.
export function findPeaks(
  a: usize, w: i32, h: i32, limits: usize, columns: i32, rows: i32, tile: i32, most: i32, out: usize,
): void {
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
        if (x + 16 <= end && !anyOfSixteen(p, m)) continue;
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
