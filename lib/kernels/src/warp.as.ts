// Resampling through a table of 6-tap weights (8 floats a phase, the last two 0). Positions in float64, samples in float32.
import { floatA, loadA, loadA16, putO } from "./planes.as";

const phases: f64 = 2048;

// Taps outside the plane or without data are left out and the others weighted up while they carry half of the weight.
function careful(a: usize, w: i32, h: i32, ix: i32, iy: i32, wx: usize, wy: usize, nearX: i32, nearY: i32): f32 {
  if (nearX < 0 || nearY < 0 || nearX >= w || nearY >= h) return <f32>NaN;
  const near = floatA(a + ((<usize>nearY * w + nearX) << 2));
  if (near != near) return <f32>NaN;
  let sum: f64 = 0, weight: f64 = 0;
  for (let j = 0; j < 6; j++) {
    const y = iy - 2 + j;
    if (y < 0 || y >= h) continue;
    const k = <f64>load<f32>(wy + (<usize>j << 2));
    for (let i = 0; i < 6; i++) {
      const x = ix - 2 + i;
      if (x < 0 || x >= w) continue;
      const v = <f64>floatA(a + ((<usize>y * w + x) << 2));
      if (v != v) continue;
      const share = k * <f64>load<f32>(wx + (<usize>i << 2));
      sum += share * v;
      weight += share;
    }
  }
  return weight >= 0.5 ? <f32>(sum / weight) : <f32>NaN;
}

// Output rows y0 … y1 of ow columns; source position (m0 x + m1 y + m2, m3 x + m4 y + m5) / (m6 x + m7 y + m8).
export function warp(
  a: usize, w: i32, h: i32, o: usize, ow: i32, y0: i32, y1: i32, table: usize, slack: f32,
  m0: f64, m1: f64, m2: f64, m3: f64, m4: f64, m5: f64, m6: f64, m7: f64, m8: f64,
): void {
  const row = <usize>w << 2, flat = m6 == 0 && m7 == 0 && m8 == 1, held = slack < <f32>Infinity;
  const right = <f64>w - 0.5, bottom = <f64>h - 0.5;
  for (let y = y0; y < y1; y++) {
    const fy = <f64>y, bx = m1 * fy + m2, by = m4 * fy + m5, bw = m7 * fy + m8;
    for (let x = 0; x < ow; x++, o += 4) {
      const fx = <f64>x;
      let sx = m0 * fx + bx, sy = m3 * fx + by;
      if (!flat) {
        const d = m6 * fx + bw;
        sx /= d;
        sy /= d;
      }
      if (!(sx >= -0.5 && sy >= -0.5 && sx <= right && sy <= bottom)) {
        putO(o, <f32>NaN);
        continue;
      }
      const gx = Math.floor(sx), gy = Math.floor(sy);
      const ix = <i32>gx, iy = <i32>gy;
      const wx = table + (<usize>(<i32>((sx - gx) * phases + 0.5)) << 5);
      const wy = table + (<usize>(<i32>((sy - gy) * phases + 0.5)) << 5);
      let r: f32 = <f32>NaN;
      if (ix >= 2 && iy >= 2 && ix < w - 5 && iy < h - 3) {
        let p = a + <usize>(iy - 2) * row + (<usize>(ix - 2) << 2);
        let k = v128.load32_splat(wy);
        let s = f32x4.mul(loadA(p), k), t = f32x4.mul(loadA16(p), k);
        p += row; k = v128.load32_splat(wy, 4);
        s = f32x4.add(s, f32x4.mul(loadA(p), k)); t = f32x4.add(t, f32x4.mul(loadA16(p), k));
        p += row; k = v128.load32_splat(wy, 8);
        s = f32x4.add(s, f32x4.mul(loadA(p), k)); t = f32x4.add(t, f32x4.mul(loadA16(p), k));
        p += row; k = v128.load32_splat(wy, 12);
        s = f32x4.add(s, f32x4.mul(loadA(p), k)); t = f32x4.add(t, f32x4.mul(loadA16(p), k));
        p += row; k = v128.load32_splat(wy, 16);
        s = f32x4.add(s, f32x4.mul(loadA(p), k)); t = f32x4.add(t, f32x4.mul(loadA16(p), k));
        p += row; k = v128.load32_splat(wy, 20);
        s = f32x4.add(s, f32x4.mul(loadA(p), k)); t = f32x4.add(t, f32x4.mul(loadA16(p), k));
        s = f32x4.add(f32x4.mul(s, v128.load(wx)), f32x4.mul(t, v128.load(wx, 16)));
        s = f32x4.add(s, i8x16.shuffle(s, s, 8, 9, 10, 11, 12, 13, 14, 15, 0, 1, 2, 3, 4, 5, 6, 7));
        r = f32x4.extract_lane(s, 0) + f32x4.extract_lane(s, 1);
      }
      if (r != r) r = careful(a, w, h, ix, iy, wx, wy, <i32>Math.floor(sx + 0.5), <i32>Math.floor(sy + 0.5));
      else if (held) {
        const q = a + <usize>iy * row + (<usize>ix << 2);
        const c0 = floatA(q), c1 = floatA(q + 4), c2 = floatA(q + row), c3 = floatA(q + row + 4);
        const low = min(min(c0, c1), min(c2, c3)) - slack, high = max(max(c0, c1), max(c2, c3)) + slack;
        if (r < low) r = low;
        else if (r > high) r = high;
      }
      putO(o, r);
    }
  }
}
