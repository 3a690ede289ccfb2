// Lowest sample within a disc; the highest one is the lowest of the negated plane. Samples that are not finite count
// as missing.
import { floatA, loadA, loadA16, loadA32, loadA48, putO, storeO, storeO16, storeO32, storeO48 } from "./planes.as";

// v − v is 0 for a number and NaN for what is none, and of a zero of either sign 0 makes +0, so that the order of
// comparisons leaves no trace; the lesser of infinity and NaN, asked in this order, is infinity.
@inline function clean(v: v128, sign: v128): v128 {
  return f32x4.pmin(f32x4.splat(<f32>Infinity), f32x4.add(f32x4.mul(v, sign), f32x4.sub(v, v)));
}

@inline function finish(v: v128, sign: v128): v128 {
  return f32x4.add(f32x4.mul(v, sign), f32x4.sub(v, v));
}

// Samples x0 … x0 + length of row `from` of w samples, those outside missing.
@inline function fetch(from: usize, w: i32, x0: i32, length: i32, to: usize, sign: v128): void {
  const first = max(0, -x0);
  const last = min(length, w - x0);
  const inf = f32x4.splat(<f32>Infinity);
  for (let k: usize = 0; k < <usize>first << 2; k += 16) v128.store(to + k, inf);
  let k = <usize>first << 2;
  const end = <usize>last << 2;
  const source = from + (<usize>x0 << 2);
  for (; k + 64 <= end; k += 64) {
    const p = source + k;
    const q = to + k;
    v128.store(q, clean(loadA(p), sign)); v128.store(q, clean(loadA16(p), sign), 16);
    v128.store(q, clean(loadA32(p), sign), 32); v128.store(q, clean(loadA48(p), sign), 48);
  }
  for (; k + 16 <= end; k += 16) v128.store(to + k, clean(loadA(source + k), sign));
  for (; k < end; k += 4) store<f32>(to + k, f32x4.extract_lane(clean(f32x4.splat(floatA(source + k)), sign), 0));
  for (; k < <usize>length << 2; k += 4) store<f32>(to + k, <f32>Infinity);
}

// Half-width of a row of the disc up to which its samples are compared one by one: more are found by doubling.
const straight: i32 = 10;

// Of the padded line at `l` the lowest samples within each half-width, rising, in lines of `wide` bytes from `to` on:
// what lies within one is a start for the next.
function spread(l: usize, to: usize, widths: usize, kinds: i32, wide: usize): void {
  const end = widths + (<usize>kinds << 2);
  for (let k: usize = 0; k < wide; k += 128) {
    const m = l + k;
    let v0 = v128.load(m);
    let v1 = v128.load(m, 16);
    let v2 = v128.load(m, 32);
    let v3 = v128.load(m, 48);
    let v4 = v128.load(m, 64);
    let v5 = v128.load(m, 80);
    let v6 = v128.load(m, 96);
    let v7 = v128.load(m, 112);
    let p = m;
    let q = m;
    let out = to + k;
    for (let width = widths; width < end; width += 4, out += wide) {
      for (const last = m - (<usize>load<i32>(width) << 2); p > last; ) {
        p -= 4;
        q += 4;
        v0 = f32x4.pmin(v0, f32x4.pmin(v128.load(p), v128.load(q)));
        v1 = f32x4.pmin(v1, f32x4.pmin(v128.load(p, 16), v128.load(q, 16)));
        v2 = f32x4.pmin(v2, f32x4.pmin(v128.load(p, 32), v128.load(q, 32)));
        v3 = f32x4.pmin(v3, f32x4.pmin(v128.load(p, 48), v128.load(q, 48)));
        v4 = f32x4.pmin(v4, f32x4.pmin(v128.load(p, 64), v128.load(q, 64)));
        v5 = f32x4.pmin(v5, f32x4.pmin(v128.load(p, 80), v128.load(q, 80)));
        v6 = f32x4.pmin(v6, f32x4.pmin(v128.load(p, 96), v128.load(q, 96)));
        v7 = f32x4.pmin(v7, f32x4.pmin(v128.load(p, 112), v128.load(q, 112)));
      }
      v128.store(out, v0); v128.store(out, v1, 16); v128.store(out, v2, 32); v128.store(out, v3, 48);
      v128.store(out, v4, 64); v128.store(out, v5, 80); v128.store(out, v6, 96); v128.store(out, v7, 112);
    }
  }
}

// The lowest samples within each half-width of a row, by doubling: a line of the lowest of 2^k samples for each k.
function lowestWithin(
  line: usize, bytes: usize, l: usize, to: usize, widths: usize, kinds: i32, wide: usize,
): void {
  let levels = 0;
  for (let n = 0; n < kinds; n++) {
    const half = load<i32>(widths + (<usize>n << 2));
    const level = 31 - clz(2 * half + 1);
    const out = to + <usize>n * wide;
    for (; levels < level; levels++) {
      const below = line + <usize>levels * bytes;
      const here = below + bytes;
      const step = <usize>4 << levels;
      let k: usize = 0;
      for (; k + step + 64 <= bytes; k += 64) {
        const p = below + k;
        const q = p + step;
        const at = here + k;
        v128.store(at, f32x4.pmin(v128.load(p), v128.load(q)));
        v128.store(at, f32x4.pmin(v128.load(p, 16), v128.load(q, 16)), 16);
        v128.store(at, f32x4.pmin(v128.load(p, 32), v128.load(q, 32)), 32);
        v128.store(at, f32x4.pmin(v128.load(p, 48), v128.load(q, 48)), 48);
      }
      for (; k + step + 16 <= bytes; k += 16) {
        v128.store(here + k, f32x4.pmin(v128.load(below + k), v128.load(below + k + step)));
      }
    }
    const base = l + <usize>level * bytes;
    const p = base - (<usize>half << 2);
    const q = base + (<usize>(half + 1 - (1 << level)) << 2);
    for (let k: usize = 0; k < wide; k += 128) {
      const b = p + k;
      const c = q + k;
      const at = out + k;
      v128.store(at, f32x4.pmin(v128.load(b), v128.load(c)));
      v128.store(at, f32x4.pmin(v128.load(b, 16), v128.load(c, 16)), 16);
      v128.store(at, f32x4.pmin(v128.load(b, 32), v128.load(c, 32)), 32);
      v128.store(at, f32x4.pmin(v128.load(b, 48), v128.load(c, 48)), 48);
      v128.store(at, f32x4.pmin(v128.load(b, 64), v128.load(c, 64)), 64);
      v128.store(at, f32x4.pmin(v128.load(b, 80), v128.load(c, 80)), 80);
      v128.store(at, f32x4.pmin(v128.load(b, 96), v128.load(c, 96)), 96);
      v128.store(at, f32x4.pmin(v128.load(b, 112), v128.load(c, 112)), 112);
    }
  }
}

// Rows y0 … y1 of the result, in strips of `side` samples (a multiple of 32) so that what a strip needs stays in the
// cache. Of every row that comes in, the lowest samples within each half-width of the disc's rows are found once, in a
// ring of as many rows as the disc has: the disc's rows above and below the middle share them. `widths`: `kinds`
// different half-widths; `places`: for the disc's rows −reach … reach which of them applies. `line`: levels + 1 lines
// of `pitch` floats, pitch ≥ side + 2 pad + 4: line k holds, at x, the lowest of the 2^k samples from x on. `ring`: (2
// reach + 1) · kinds lines of `side` floats. `rows`: 2 reach + 1 addresses.
export function extremum(
  a: usize, o: usize, w: i32, h: i32, y0: i32, y1: i32, reach: i32, kinds: i32, widths: usize, places: usize,
  line: usize, pitch: i32,
  pad: i32, side: i32, ring: usize, rows: usize, sign: f32,
): void {
  const row = <usize>w << 2;
  const bytes = <usize>pitch << 2;
  const wide = <usize>side << 2;
  const size = 2 * reach + 1;
  const s = f32x4.splat(sign);
  const inf = f32x4.splat(<f32>Infinity);
  const l = line + (<usize>pad << 2);
  const slot = wide * <usize>kinds;
  const length = side + 2 * pad;
  const widest = load<i32>(widths + (<usize>(kinds - 1) << 2));
  const ends = rows + (<usize>size << 2);
  for (let x0 = 0; x0 < w; x0 += side) {
    const used = min(side, w - x0);
    const whole = <usize>(used << 2) & ~15;
    for (let r = y0 - reach, place = 0; r < y1 + reach; r++, place = place + 1 == size ? 0 : place + 1) {
      const to = ring + <usize>place * slot;
      if (r < 0 || r >= h) {
        for (let k: usize = 0; k < slot; k += 16) v128.store(to + k, inf);
      } else {
        fetch(a + <usize>r * row, w, x0 - pad, length, line, s);
        if (widest <= straight) spread(l, to, widths, kinds, wide);
        else lowestWithin(line, bytes, l, to, widths, kinds, wide);
      }
      const y = r - reach;
      if (y < y0) continue;
      for (let j = 0, at = place + 1; j < size; j++, at++) {
        if (at >= size) at -= size;
        const kind = <usize>load<i32>(places + (<usize>j << 2));
        store<u32>(rows + (<usize>j << 2), <u32>(ring + <usize>at * slot + kind * wide));
      }
      const out = o + <usize>(y - y0) * row + (<usize>x0 << 2);
      for (let k: usize = 0; k < <usize>used << 2; k += 128) {
        let p = <usize>load<u32>(rows) + k;
        let v0 = v128.load(p);
        let v1 = v128.load(p, 16);
        let v2 = v128.load(p, 32);
        let v3 = v128.load(p, 48);
        let v4 = v128.load(p, 64);
        let v5 = v128.load(p, 80);
        let v6 = v128.load(p, 96);
        let v7 = v128.load(p, 112);
        for (let t = rows + 4; t < ends; t += 4) {
          p = <usize>load<u32>(t) + k;
          v0 = f32x4.pmin(v0, v128.load(p)); v1 = f32x4.pmin(v1, v128.load(p, 16));
          v2 = f32x4.pmin(v2, v128.load(p, 32)); v3 = f32x4.pmin(v3, v128.load(p, 48));
          v4 = f32x4.pmin(v4, v128.load(p, 64)); v5 = f32x4.pmin(v5, v128.load(p, 80));
          v6 = f32x4.pmin(v6, v128.load(p, 96)); v7 = f32x4.pmin(v7, v128.load(p, 112));
        }
        v0 = finish(v0, s); v1 = finish(v1, s); v2 = finish(v2, s); v3 = finish(v3, s);
        v4 = finish(v4, s); v5 = finish(v5, s); v6 = finish(v6, s); v7 = finish(v7, s);
        const here = out + k;
        if (k + 128 <= whole) {
          storeO(here, v0); storeO16(here, v1); storeO32(here, v2); storeO48(here, v3);
          storeO(here + 64, v4); storeO16(here + 64, v5); storeO32(here + 64, v6); storeO48(here + 64, v7);
        } else {
          // The lines of the doubling are free by now.
          v128.store(line, v0); v128.store(line, v1, 16); v128.store(line, v2, 32); v128.store(line, v3, 48);
          v128.store(line, v4, 64); v128.store(line, v5, 80); v128.store(line, v6, 96); v128.store(line, v7, 112);
          for (let i: usize = 0; k + i < <usize>used << 2; i += 4) putO(here + i, load<f32>(line + i));
        }
      }
    }
  }
}
