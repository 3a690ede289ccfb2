// Symmetric convolution along columns and then along rows, mirrored at the edges without repeating the outermost
// sample. The weights lie in scratch, the middle one first.
import { floatA, loadA, loadA16, loadA32, loadA48, putO, storeO, storeO16, storeO32, storeO48 } from "./planes.as";

@inline function mirror(i: i32, n: i32): i32 {
  if (n == 1) return 0;
  const period = 2 * (n - 1);
  i = i % period;
  if (i < 0) i += period;
  return i < n ? i : period - i;
}

// Bytes of a row of the tile.
const side: usize = 256;

// Copies rows of a strip, from `top` on and mirrored at the edges, to `tile`. Returns where any sample is NaN.
function copyStrip(a: usize, w: i32, h: i32, top: i32, rows: i32, x: usize, tile: usize): v128 {
  const row = <usize>w << 2;
  const wide = min(side, row - x);
  const vectors = wide & ~15;
  let gaps = i32x4.splat(0);
  for (let i = 0, to = tile; i < rows; i++, to += side) {
    const from = a + <usize>mirror(top + i, h) * row + x;
    if (wide == side) {
      for (let k: usize = 0; k < side; k += 64) {
        const v0 = loadA(from + k);
        const v1 = loadA16(from + k);
        const v2 = loadA32(from + k);
        const v3 = loadA48(from + k);
        v128.store(to + k, v0); v128.store(to + k, v1, 16); v128.store(to + k, v2, 32); v128.store(to + k, v3, 48);
        const gaps01 = v128.or(f32x4.ne(v0, v0), f32x4.ne(v1, v1));
        gaps = v128.or(gaps, v128.or(gaps01, v128.or(f32x4.ne(v2, v2), f32x4.ne(v3, v3))));
      }
    } else {
      let k: usize = 0;
      for (; k < vectors; k += 16) {
        const v = loadA(from + k);
        v128.store(to + k, v);
        gaps = v128.or(gaps, f32x4.ne(v, v));
      }
      for (; k < wide; k += 4) {
        const v = floatA(from + k);
        store<f32>(to + k, v);
        if (v != v) gaps = i32x4.splat(-1);
      }
    }
  }
  return gaps;
}

// A row of a strip: the sum of the rows about it in the tile, 32 samples at a time.
function alongColumns(middle: usize, wide: usize, taps: usize, reach: usize, out: usize): void {
  for (let c: usize = 0; c < wide; c += 128) {
    const m = middle + c;
    let k = v128.load32_splat(taps);
    let s0 = f32x4.mul(v128.load(m), k);
    let s1 = f32x4.mul(v128.load(m, 16), k);
    let s2 = f32x4.mul(v128.load(m, 32), k);
    let s3 = f32x4.mul(v128.load(m, 48), k);
    let s4 = f32x4.mul(v128.load(m, 64), k);
    let s5 = f32x4.mul(v128.load(m, 80), k);
    let s6 = f32x4.mul(v128.load(m, 96), k);
    let s7 = f32x4.mul(v128.load(m, 112), k);
    let p = m - side;
    let q = m + side;
    for (let t = taps + 4, end = t + reach; t < end; t += 4, p -= side, q += side) {
      k = v128.load32_splat(t);
      s0 = f32x4.add(s0, f32x4.mul(f32x4.add(v128.load(p), v128.load(q)), k));
      s1 = f32x4.add(s1, f32x4.mul(f32x4.add(v128.load(p, 16), v128.load(q, 16)), k));
      s2 = f32x4.add(s2, f32x4.mul(f32x4.add(v128.load(p, 32), v128.load(q, 32)), k));
      s3 = f32x4.add(s3, f32x4.mul(f32x4.add(v128.load(p, 48), v128.load(q, 48)), k));
      s4 = f32x4.add(s4, f32x4.mul(f32x4.add(v128.load(p, 64), v128.load(q, 64)), k));
      s5 = f32x4.add(s5, f32x4.mul(f32x4.add(v128.load(p, 80), v128.load(q, 80)), k));
      s6 = f32x4.add(s6, f32x4.mul(f32x4.add(v128.load(p, 96), v128.load(q, 96)), k));
      s7 = f32x4.add(s7, f32x4.mul(f32x4.add(v128.load(p, 112), v128.load(q, 112)), k));
    }
    v128.store(out + c, s0); v128.store(out + c, s1, 16); v128.store(out + c, s2, 32); v128.store(out + c, s3, 48);
    v128.store(out + c, s4, 64); v128.store(out + c, s5, 80); v128.store(out + c, s6, 96); v128.store(out + c, s7, 112);
  }
}

// A row of the result from a line whose ends are mirrored here.
function alongRow(l: usize, w: i32, taps: usize, radius: i32, out: usize): void {
  const row = <usize>w << 2;
  const reach = <usize>radius << 2;
  for (let j = 1; j <= radius; j++) {
    store<f32>(l - (<usize>j << 2), load<f32>(l + (<usize>mirror(-j, w) << 2)));
    store<f32>(l + (<usize>(w - 1 + j) << 2), load<f32>(l + (<usize>mirror(w - 1 + j, w) << 2)));
  }
  let x: usize = 0;
  for (; x + 128 <= row; x += 128) {
    const m = l + x;
    let k = v128.load32_splat(taps);
    let s0 = f32x4.mul(v128.load(m), k);
    let s1 = f32x4.mul(v128.load(m, 16), k);
    let s2 = f32x4.mul(v128.load(m, 32), k);
    let s3 = f32x4.mul(v128.load(m, 48), k);
    let s4 = f32x4.mul(v128.load(m, 64), k);
    let s5 = f32x4.mul(v128.load(m, 80), k);
    let s6 = f32x4.mul(v128.load(m, 96), k);
    let s7 = f32x4.mul(v128.load(m, 112), k);
    let p = m - 4;
    let q = m + 4;
    for (let t = taps + 4, end = t + reach; t < end; t += 4, p -= 4, q += 4) {
      k = v128.load32_splat(t);
      s0 = f32x4.add(s0, f32x4.mul(f32x4.add(v128.load(p), v128.load(q)), k));
      s1 = f32x4.add(s1, f32x4.mul(f32x4.add(v128.load(p, 16), v128.load(q, 16)), k));
      s2 = f32x4.add(s2, f32x4.mul(f32x4.add(v128.load(p, 32), v128.load(q, 32)), k));
      s3 = f32x4.add(s3, f32x4.mul(f32x4.add(v128.load(p, 48), v128.load(q, 48)), k));
      s4 = f32x4.add(s4, f32x4.mul(f32x4.add(v128.load(p, 64), v128.load(q, 64)), k));
      s5 = f32x4.add(s5, f32x4.mul(f32x4.add(v128.load(p, 80), v128.load(q, 80)), k));
      s6 = f32x4.add(s6, f32x4.mul(f32x4.add(v128.load(p, 96), v128.load(q, 96)), k));
      s7 = f32x4.add(s7, f32x4.mul(f32x4.add(v128.load(p, 112), v128.load(q, 112)), k));
    }
    storeO(out + x, s0); storeO16(out + x, s1); storeO32(out + x, s2); storeO48(out + x, s3);
    storeO(out + x + 64, s4); storeO16(out + x + 64, s5); storeO32(out + x + 64, s6); storeO48(out + x + 64, s7);
  }
  for (; x + 16 <= row; x += 16) {
    const m = l + x;
    let s = f32x4.mul(v128.load(m), v128.load32_splat(taps));
    let p = m - 4;
    let q = m + 4;
    for (let t = taps + 4, end = t + reach; t < end; t += 4, p -= 4, q += 4) {
      s = f32x4.add(s, f32x4.mul(f32x4.add(v128.load(p), v128.load(q)), v128.load32_splat(t)));
    }
    storeO(out + x, s);
  }
  for (; x < row; x += 4) {
    const m = l + x;
    let s = load<f32>(m) * load<f32>(taps);
    let p = m - 4;
    let q = m + 4;
    for (let t = taps + 4, end = t + reach; t < end; t += 4, p -= 4, q += 4) {
      s += (load<f32>(p) + load<f32>(q)) * load<f32>(t);
    }
    putO(out + x, s);
  }
}

// Rows y0 … y1 of the result in O from all rows of A, `block` rows at a time. First along columns, in strips as wide
// as a tile, which is copied so that it stays in the innermost cache whatever the width of the plane; then along the
// rows so made. Scratch: `tile` has (block + 2 radius) · 64 floats, `lines` block lines of `pitch` ≥ w + 2 radius + 64
// floats. Returns whether any sample of A that was read is NaN.
export function blur(
  a: usize, o: usize, w: i32, h: i32, y0: i32, y1: i32, taps: usize, radius: i32, block: i32, tile: usize,
  lines: usize, pitch: i32,
): i32 {
  const row = <usize>w << 2;
  const reach = <usize>radius << 2;
  const stride = <usize>pitch << 2;
  let gaps = i32x4.splat(0);
  for (let top = y0; top < y1; top += block) {
    const count = min(block, y1 - top);
    for (let x: usize = 0; x < row; x += side) {
      const wide = min(side, row - x);
      gaps = v128.or(gaps, copyStrip(a, w, h, top - radius, count + 2 * radius, x, tile));
      for (let i = 0; i < count; i++) {
        const middle = tile + <usize>(i + radius) * side;
        const out = lines + <usize>i * stride + reach + x;
        alongColumns(middle, wide, taps, reach, out);
      }
    }
    for (let i = 0; i < count; i++) {
      const l = lines + <usize>i * stride + reach;
      const out = o + <usize>(top - y0 + i) * row;
      alongRow(l, w, taps, radius, out);
    }
  }
  return v128.any_true(gaps);
}
