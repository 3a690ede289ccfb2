// Convolution with weights that are the same on opposite sides of the middle, mirrored at the edges without repeating
// the outermost sample.
import { floatA, loadA, loadA16, loadA32, loadA48, putO, storeO, storeO16, storeO32, storeO48 } from "./planes.as";

@inline function mirror(i: i32, n: i32): i32 {
  if (n == 1) return 0;
  const period = 2 * (n - 1);
  i = i % period;
  if (i < 0) i += period;
  return i < n ? i : period - i;
}

// Rows y0 … y1 of the result in O, `block` rows of `side` columns (a multiple of 32) at a time. Scratch: at `tile` the
// samples about a block, (block + 2 radius) rows of `pitch` ≥ side + 2 radius floats; at `places` for each of `pairs`
// pairs of weights how many bytes its second sample lies behind the middle in the tile, which is followed by room for
// 128 bytes; at `weights` the middle weight and those of the pairs.
export function convolvePairs(
  a: usize, o: usize, w: i32, h: i32, y0: i32, y1: i32, radius: i32, pairs: i32, places: usize, weights: usize,
  tile: usize, pitch: i32,
  block: i32, side: i32,
): void {
  const row = <usize>w << 2;
  const stride = <usize>pitch << 2;
  const end = places + (<usize>pairs << 2);
  for (let top = y0; top < y1; top += block) {
    const count = min(block, y1 - top);
    for (let x0 = 0; x0 < w; x0 += side) {
      const wide = min(side, w - x0);
      const left = min(radius, x0);
      const right = min(radius, w - x0 - wide);
      for (let i = 0, to = tile; i < count + 2 * radius; i++, to += stride) {
        const from = a + <usize>mirror(top - radius + i, h) * row;
        for (let x = -radius; x < -left; x++) {
          store<f32>(to + (<usize>(x + radius) << 2), floatA(from + (<usize>mirror(x0 + x, w) << 2)));
        }
        let p = from + (<usize>(x0 - left) << 2);
        let q = to + (<usize>(radius - left) << 2);
        const last = p + (<usize>(left + wide + right) << 2);
        for (; p + 64 <= last; p += 64, q += 64) {
          v128.store(q, loadA(p));
          v128.store(q, loadA16(p), 16);
          v128.store(q, loadA32(p), 32);
          v128.store(q, loadA48(p), 48);
        }
        for (; p < last; p += 4, q += 4) store<f32>(q, floatA(p));
        for (let x = wide + right; x < wide + radius; x++) {
          store<f32>(to + (<usize>(x + radius) << 2), floatA(from + (<usize>mirror(x0 + x, w) << 2)));
        }
      }
      for (let i = 0; i < count; i++) {
        const middle = tile + <usize>(i + radius) * stride + (<usize>radius << 2);
        const out = o + <usize>(top - y0 + i) * row + (<usize>x0 << 2);
        for (let c: usize = 0; c < <usize>wide << 2; c += 128) {
          const m = middle + c;
          let k = v128.load32_splat(weights);
          let s0 = f32x4.mul(v128.load(m), k);
          let s1 = f32x4.mul(v128.load(m, 16), k);
          let s2 = f32x4.mul(v128.load(m, 32), k);
          let s3 = f32x4.mul(v128.load(m, 48), k);
          let s4 = f32x4.mul(v128.load(m, 64), k);
          let s5 = f32x4.mul(v128.load(m, 80), k);
          let s6 = f32x4.mul(v128.load(m, 96), k);
          let s7 = f32x4.mul(v128.load(m, 112), k);
          for (let t = places, u = weights + 4; t < end; t += 4, u += 4) {
            const d = <usize>load<i32>(t);
            const p = m + d;
            const q = m - d;
            k = v128.load32_splat(u);
            s0 = f32x4.add(s0, f32x4.mul(f32x4.add(v128.load(p), v128.load(q)), k));
            s1 = f32x4.add(s1, f32x4.mul(f32x4.add(v128.load(p, 16), v128.load(q, 16)), k));
            s2 = f32x4.add(s2, f32x4.mul(f32x4.add(v128.load(p, 32), v128.load(q, 32)), k));
            s3 = f32x4.add(s3, f32x4.mul(f32x4.add(v128.load(p, 48), v128.load(q, 48)), k));
            s4 = f32x4.add(s4, f32x4.mul(f32x4.add(v128.load(p, 64), v128.load(q, 64)), k));
            s5 = f32x4.add(s5, f32x4.mul(f32x4.add(v128.load(p, 80), v128.load(q, 80)), k));
            s6 = f32x4.add(s6, f32x4.mul(f32x4.add(v128.load(p, 96), v128.load(q, 96)), k));
            s7 = f32x4.add(s7, f32x4.mul(f32x4.add(v128.load(p, 112), v128.load(q, 112)), k));
          }
          const here = out + c;
          if (c + 128 <= <usize>wide << 2) {
            storeO(here, s0); storeO16(here, s1); storeO32(here, s2); storeO48(here, s3);
            storeO(here + 64, s4); storeO16(here + 64, s5); storeO32(here + 64, s6); storeO48(here + 64, s7);
          } else {
            // Behind the tile.
            const spare = tile + <usize>(count + 2 * radius) * stride;
            v128.store(spare, s0); v128.store(spare, s1, 16); v128.store(spare, s2, 32); v128.store(spare, s3, 48);
            v128.store(spare, s4, 64); v128.store(spare, s5, 80); v128.store(spare, s6, 96); v128.store(spare, s7, 112);
            for (let j: usize = 0; c + j < <usize>wide << 2; j += 4) putO(here + j, load<f32>(spare + j));
          }
        }
      }
    }
  }
}
