// What stands out of the noise in one scale of details: the power about each sample, smoothed as the scale is, tells
// how much of the detail is kept.
import { floatA, floatB, floatC, floatO, loadA, loadB, loadC, loadO, putO, storeO } from "./planes.as";

@inline function mirror(i: i32, n: i32): i32 {
  if (n == 1) return 0;
  const period = 2 * (n - 1);
  i = i % period;
  if (i < 0) i += period;
  return i < n ? i : period - i;
}
@inline function power(d: v128, even: v128, norm: v128, most: v128): v128 {
  return f32x4.pmin(most, f32x4.mul(f32x4.mul(f32x4.mul(d, d), norm), even));
}
@inline function powerOf(d: f32, even: f32, norm: f32, most: f32): f32 {
  const p = d * d * norm * even;
  return p < most ? p : most;
}

// Rows y0 … y1 of the kept details of C added to O (or put there when `first`), as the power of those of A tells; B:
// relative weight of a sample's square. `line` has w + 4 step + 4 floats.
export function thresholdDetail(
  a: usize, b: usize, c: usize, o: usize, line: usize, w: i32, h: i32, step: i32, y0: i32, y1: i32,
  norm: f32, most: f32, low: f32, scale: f32, grain: f32, first: i32,
): void {
  const row = <usize>w << 2;
  const pad = 2 * step;
  const l = line + (<usize>pad << 2);
  const s = <usize>step << 2;
  const whole = row & ~15;
  const k0 = f32x4.splat(0.375);
  const k1 = f32x4.splat(0.25);
  const k2 = f32x4.splat(0.0625);
  const n4 = f32x4.splat(norm);
  const m4 = f32x4.splat(most);
  const l4 = f32x4.splat(low);
  const s4 = f32x4.splat(scale);
  const rest: f32 = 1 - grain;
  const g4 = f32x4.splat(grain);
  const r4 = f32x4.splat(rest);
  const zero = f32x4.splat(0);
  const one = f32x4.splat(1);
  const two = f32x4.splat(2);
  const three = f32x4.splat(3);
  for (let y = y0; y < y1; y++) {
    const p0 = <usize>mirror(y - 2 * step, h) * row;
    const p1 = <usize>mirror(y - step, h) * row;
    const p2 = <usize>y * row;
    const p3 = <usize>mirror(y + step, h) * row;
    const p4 = <usize>mirror(y + 2 * step, h) * row;
    let x: usize = 0;
    for (; x < whole; x += 16) {
      const q = a + x;
      const e = b + x;
      const v0 = power(loadA(q + p0), loadB(e + p0), n4, m4);
      const v1 = power(loadA(q + p1), loadB(e + p1), n4, m4);
      const v2 = power(loadA(q + p2), loadB(e + p2), n4, m4);
      const v3 = power(loadA(q + p3), loadB(e + p3), n4, m4);
      const v4 = power(loadA(q + p4), loadB(e + p4), n4, m4);
      v128.store(l + x, f32x4.add(f32x4.mul(f32x4.add(v0, v4), k2),
        f32x4.add(f32x4.mul(f32x4.add(v1, v3), k1), f32x4.mul(v2, k0))));
    }
    for (; x < row; x += 4) {
      const q = a + x;
      const e = b + x;
      const v0 = powerOf(floatA(q + p0), floatB(e + p0), norm, most);
      const v1 = powerOf(floatA(q + p1), floatB(e + p1), norm, most);
      const v2 = powerOf(floatA(q + p2), floatB(e + p2), norm, most);
      const v3 = powerOf(floatA(q + p3), floatB(e + p3), norm, most);
      const v4 = powerOf(floatA(q + p4), floatB(e + p4), norm, most);
      store<f32>(l + x, (v0 + v4) * 0.0625 + ((v1 + v3) * 0.25 + v2 * 0.375));
    }
    for (let i = 1; i <= pad; i++) {
      store<f32>(l - (<usize>i << 2), load<f32>(l + (<usize>mirror(-i, w) << 2)));
      store<f32>(l + (<usize>(w - 1 + i) << 2), load<f32>(l + (<usize>mirror(w - 1 + i, w) << 2)));
    }
    const d = c + p2;
    for (x = 0; x < whole; x += 16) {
      const m = l + x;
      const v = f32x4.add(f32x4.mul(f32x4.add(v128.load(m - 2 * s), v128.load(m + 2 * s)), k2),
        f32x4.add(f32x4.mul(f32x4.add(v128.load(m - s), v128.load(m + s)), k1), f32x4.mul(v128.load(m), k0)));
      const u = f32x4.pmax(zero, f32x4.pmin(one, f32x4.mul(f32x4.sub(v, l4), s4)));
      const keep = f32x4.mul(f32x4.mul(u, u), f32x4.sub(three, f32x4.mul(two, u)));
      const kept = f32x4.mul(loadC(d + x), f32x4.add(g4, f32x4.mul(r4, keep)));
      storeO(o + x, first ? kept : f32x4.add(loadO(o + x), kept));
    }
    for (; x < row; x += 4) {
      const m = l + x;
      const v: f32 = (load<f32>(m - 2 * s) + load<f32>(m + 2 * s)) * 0.0625 +
        ((load<f32>(m - s) + load<f32>(m + s)) * 0.25 + load<f32>(m) * 0.375);
      let u: f32 = (v - low) * scale;
      u = u < 1 ? u : 1;
      u = u > 0 ? u : 0;
      const kept: f32 = floatC(d + x) * (grain + rest * (u * u * (3 - 2 * u)));
      putO(o + x, first ? kept : floatO(o + x) + kept);
    }
    o += row;
  }
}
