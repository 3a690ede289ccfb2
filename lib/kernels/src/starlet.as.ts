// One starlet scale: B3 taps along columns into a padded line in scratch, then along the line. O: smooth, P: detail.
import { floatA, loadA, putO, putP, storeO, storeP } from "./planes.as";

@inline function mirror(i: i32, n: i32): i32 {
  if (n == 1) return 0;
  const period = 2 * (n - 1);
  i = i % period;
  if (i < 0) i += period;
  return i < n ? i : period - i;
}

export function starlet(a: usize, o: usize, q: usize, line: usize, w: i32, h: i32, step: i32, y0: i32, y1: i32): void {
  const row = <usize>w << 2;
  const pad = 2 * step;
  const l = line + (<usize>pad << 2);
  const s = <usize>step << 2;
  const k0 = f32x4.splat(0.375);
  const k1 = f32x4.splat(0.25);
  const k2 = f32x4.splat(0.0625);
  const whole = row & ~15;
  for (let y = y0; y < y1; y++) {
    const r0 = a + <usize>mirror(y - 2 * step, h) * row;
    const r1 = a + <usize>mirror(y - step, h) * row;
    const r2 = a + <usize>y * row;
    const r3 = a + <usize>mirror(y + step, h) * row;
    const r4 = a + <usize>mirror(y + 2 * step, h) * row;
    let x: usize = 0;
    for (; x < whole; x += 16) {
      v128.store(l + x, f32x4.add(f32x4.mul(f32x4.add(loadA(r0 + x), loadA(r4 + x)), k2),
        f32x4.add(f32x4.mul(f32x4.add(loadA(r1 + x), loadA(r3 + x)), k1), f32x4.mul(loadA(r2 + x), k0))));
    }
    for (; x < row; x += 4) {
      store<f32>(l + x, (floatA(r0 + x) + floatA(r4 + x)) * 0.0625 +
        ((floatA(r1 + x) + floatA(r3 + x)) * 0.25 + floatA(r2 + x) * 0.375));
    }
    for (let i = 1; i <= pad; i++) {
      store<f32>(l - (<usize>i << 2), load<f32>(l + (<usize>mirror(-i, w) << 2)));
      store<f32>(l + (<usize>(w - 1 + i) << 2), load<f32>(l + (<usize>mirror(w - 1 + i, w) << 2)));
    }
    for (x = 0; x < whole; x += 16) {
      const m = l + x;
      const v = f32x4.add(f32x4.mul(f32x4.add(v128.load(m - 2 * s), v128.load(m + 2 * s)), k2),
        f32x4.add(f32x4.mul(f32x4.add(v128.load(m - s), v128.load(m + s)), k1), f32x4.mul(v128.load(m), k0)));
      storeO(o + x, v);
      storeP(q + x, f32x4.sub(loadA(r2 + x), v));
    }
    for (; x < row; x += 4) {
      const m = l + x;
      const v: f32 = (load<f32>(m - 2 * s) + load<f32>(m + 2 * s)) * 0.0625 +
        ((load<f32>(m - s) + load<f32>(m + s)) * 0.25 + load<f32>(m) * 0.375);
      putO(o + x, v);
      putP(q + x, floatA(r2 + x) - v);
    }
    o += row;
    q += row;
  }
}
