// Lowest sample within a disc; the highest one is the lowest of the negated plane. Samples that are not finite count as missing.
import { floatA, floatO, loadA, loadO, putO, storeO } from "./planes.as";

@inline function clean(v: v128, sign: v128): v128 {
  // A zero of either sign becomes +0, so that the order of comparisons leaves no trace.
  v = f32x4.add(f32x4.mul(v, sign), f32x4.splat(0));
  return v128.bitselect(v, f32x4.splat(<f32>Infinity), f32x4.lt(f32x4.abs(v), f32x4.splat(<f32>Infinity)));
}

// Rows y0 … y1 of the result. `chords`: half-widths of the disc's rows −reach … reach as integers in scratch. `line`: levels + 1
// lines of `pitch` floats: line k holds, at x, the lowest of the 2^k samples from x on, with `pad` missing ones on each side.
export function lowest(
  a: usize, o: usize, w: i32, h: i32, y0: i32, y1: i32, reach: i32, chords: usize, line: usize, pitch: i32, pad: i32, levels: i32, sign: f32,
): void {
  const row = <usize>w << 2, whole = row & ~15, bytes = <usize>pitch << 2, inf = f32x4.splat(<f32>Infinity), s = f32x4.splat(sign);
  for (let p = o, end = o + <usize>(y1 - y0) * row; p < end; p += 4) putO(p, <f32>Infinity);
  for (let i: usize = 0; i < bytes * <usize>(levels + 1); i += 16) v128.store(line + i, inf);
  const l = line + (<usize>pad << 2);
  for (let r = max(0, y0 - reach), last = min(h, y1 + reach); r < last; r++) {
    const from = a + <usize>r * row;
    let x: usize = 0;
    for (; x < whole; x += 16) v128.store(l + x, clean(loadA(from + x), s));
    for (; x < row; x += 4) {
      const v = floatA(from + x) * sign + 0;
      store<f32>(l + x, abs(v) < <f32>Infinity ? v : <f32>Infinity);
    }
    for (let k = 1; k <= levels; k++) {
      const below = line + <usize>(k - 1) * bytes, here = below + bytes, step = <usize>4 << (k - 1);
      for (let i: usize = 0; i + step + 16 <= bytes; i += 16) {
        v128.store(here + i, f32x4.pmin(v128.load(below + i), v128.load(below + i + step)));
      }
    }
    for (let y = max(y0, r - reach), end = min(y1, r + reach + 1); y < end; y++) {
      const half = load<i32>(chords + (<usize>(r - y + reach) << 2)), length = 2 * half + 1;
      const k = 31 - clz(length), base = l + <usize>k * bytes;
      const p = base - (<usize>half << 2), q = base + (<usize>(half + 1 - (1 << k)) << 2), out = o + <usize>(y - y0) * row;
      for (x = 0; x < whole; x += 16) {
        storeO(out + x, f32x4.pmin(loadO(out + x), f32x4.pmin(v128.load(p + x), v128.load(q + x))));
      }
      for (; x < row; x += 4) putO(out + x, min(floatO(out + x), min(load<f32>(p + x), load<f32>(q + x))));
    }
  }
  for (let p = o, end = o + <usize>(y1 - y0) * row; p < end; p += 4) {
    const v = floatO(p);
    putO(p, v < <f32>Infinity ? v * sign + 0 : <f32>NaN);
  }
}
