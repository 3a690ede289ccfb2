// Symmetric convolution along rows and along columns, mirrored at the edges without repeating the outermost sample. The weights
// lie in scratch, the middle one first.
import { floatA, loadA, loadA16, loadA32, loadA48, putO, storeO, storeO16, storeO32, storeO48 } from "./planes.as";

@inline function mirror(i: i32, n: i32): i32 {
  if (n == 1) return 0;
  const period = 2 * (n - 1);
  i = i % period;
  if (i < 0) i += period;
  return i < n ? i : period - i;
}

// Rows y0 … y1 of A into O; `line` is w + 2 radius floats of scratch.
export function blurRows(a: usize, o: usize, w: i32, y0: i32, y1: i32, taps: usize, radius: i32, line: usize): void {
  const row = <usize>w << 2, l = line + (<usize>radius << 2);
  a += <usize>y0 * row;
  for (let y = y0; y < y1; y++, a += row, o += row) {
    let x: usize = 0;
    for (; x + 16 <= row; x += 16) v128.store(l + x, loadA(a + x));
    for (; x < row; x += 4) store<f32>(l + x, floatA(a + x));
    for (let i = 1; i <= radius; i++) {
      store<f32>(l - (<usize>i << 2), load<f32>(l + (<usize>mirror(-i, w) << 2)));
      store<f32>(l + (<usize>(w - 1 + i) << 2), load<f32>(l + (<usize>mirror(w - 1 + i, w) << 2)));
    }
    for (x = 0; x + 64 <= row; x += 64) {
      const m = l + x;
      let k = v128.load32_splat(taps);
      let s0 = f32x4.mul(v128.load(m), k), s1 = f32x4.mul(v128.load(m, 16), k);
      let s2 = f32x4.mul(v128.load(m, 32), k), s3 = f32x4.mul(v128.load(m, 48), k);
      let p = m - 4, q = m + 4, t = taps + 4;
      for (let j = 0; j < radius; j++, p -= 4, q += 4, t += 4) {
        k = v128.load32_splat(t);
        s0 = f32x4.add(s0, f32x4.mul(f32x4.add(v128.load(p), v128.load(q)), k));
        s1 = f32x4.add(s1, f32x4.mul(f32x4.add(v128.load(p, 16), v128.load(q, 16)), k));
        s2 = f32x4.add(s2, f32x4.mul(f32x4.add(v128.load(p, 32), v128.load(q, 32)), k));
        s3 = f32x4.add(s3, f32x4.mul(f32x4.add(v128.load(p, 48), v128.load(q, 48)), k));
      }
      storeO(o + x, s0); storeO16(o + x, s1); storeO32(o + x, s2); storeO48(o + x, s3);
    }
    for (; x < row; x += 4) {
      const m = l + x;
      let s = load<f32>(m) * load<f32>(taps);
      let p = m - 4, q = m + 4, t = taps + 4;
      for (let j = 0; j < radius; j++, p -= 4, q += 4, t += 4) s += (load<f32>(p) + load<f32>(q)) * load<f32>(t);
      putO(o + x, s);
    }
  }
}

// Rows y0 … y1 of the result in O from all rows of A; `rows` is h integers of scratch for the mirrored rows' places. Columns are
// taken in narrow blocks, so that what a block needs of the rows stays in the cache.
export function blurColumns(a: usize, o: usize, w: i32, h: i32, y0: i32, y1: i32, taps: usize, radius: i32, rows: usize): void {
  const row = <usize>w << 2, first = y0 - radius, count = y1 - y0 + 2 * radius;
  for (let i = 0; i < count; i++) store<u32>(rows + (<usize>i << 2), <u32>(a + <usize>mirror(first + i, h) * row));
  let x: usize = 0;
  for (; x + 64 <= row; x += 64) {
    let out = o + x;
    for (let y = y0; y < y1; y++, out += row) {
      const c = rows + (<usize>(y - y0 + radius) << 2), m = <usize>load<u32>(c) + x;
      let k = v128.load32_splat(taps);
      let s0 = f32x4.mul(loadA(m), k), s1 = f32x4.mul(loadA16(m), k), s2 = f32x4.mul(loadA32(m), k), s3 = f32x4.mul(loadA48(m), k);
      let up = c - 4, down = c + 4, t = taps + 4;
      for (let j = 0; j < radius; j++, up -= 4, down += 4, t += 4) {
        const p = <usize>load<u32>(up) + x, q = <usize>load<u32>(down) + x;
        k = v128.load32_splat(t);
        s0 = f32x4.add(s0, f32x4.mul(f32x4.add(loadA(p), loadA(q)), k));
        s1 = f32x4.add(s1, f32x4.mul(f32x4.add(loadA16(p), loadA16(q)), k));
        s2 = f32x4.add(s2, f32x4.mul(f32x4.add(loadA32(p), loadA32(q)), k));
        s3 = f32x4.add(s3, f32x4.mul(f32x4.add(loadA48(p), loadA48(q)), k));
      }
      storeO(out, s0); storeO16(out, s1); storeO32(out, s2); storeO48(out, s3);
    }
  }
  for (; x < row; x += 4) {
    let out = o + x;
    for (let y = y0; y < y1; y++, out += row) {
      const c = rows + (<usize>(y - y0 + radius) << 2);
      let s = floatA(<usize>load<u32>(c) + x) * load<f32>(taps);
      let up = c - 4, down = c + 4, t = taps + 4;
      for (let j = 0; j < radius; j++, up -= 4, down += 4, t += 4) {
        s += (floatA(<usize>load<u32>(up) + x) + floatA(<usize>load<u32>(down) + x)) * load<f32>(t);
      }
      putO(out, s);
    }
  }
}
