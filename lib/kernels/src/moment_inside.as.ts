// The pass of moments.as.ts where every pixel counts and none is missing.
import { loadA } from "./planes.as";
import { across, CUT, falloff, slope, takeSums } from "./moment_sums.as";

// Most rows of the pass inside, and the bytes between its tables of a float a row.
export const ROWS: i32 = 256;
const TABLE: usize = 1040;

// A pass over columns of four, where every pixel counts and none is missing (else false): what a row has in common is
// in tables in `room`, what a column has is multiplied in at its end, and what mixes the two goes from row to row by
// one factor.
export function weighInside(
  a: usize, w: i32, x0: f64, y0: f64, ixx: f64, ixy: f64, iyy: f64, left: i32, right: i32, top: i32, bottom: i32,
  background: f64,
  room: usize,
): bool {
  const zero = f32x4.splat(0);
  const sky = f32x4.splat(<f32>background);
  const lanes = f32x4(0, 1, 2, 3);
  const fours = f32x4.splat(4);
  const straight = ixy == 0;
  const row = <usize>w << 2;
  const end = room + (<usize>(bottom - top + 1) << 2);
  const kyy = f32x4.splat(<f32>iyy);
  const lowest = f32x4.splat(<f32>(<f64>bottom - y0 + 0.25));
  const start = f32x4.splat(<f32>(<f64>top - y0));
  let vy = f32x4.add(start, lanes);
  let rows = zero;
  let rows2 = zero;
  for (let q = room; q < end; q += 16) {
    const t = f32x4.mul(f32x4.mul(kyy, vy), vy);
    const g = v128.and(falloff(t), f32x4.le(vy, lowest));
    const gy = f32x4.mul(g, vy);
    const g2 = f32x4.mul(g, g);
    v128.store(q, g);
    if (straight) {
      v128.store(q, gy, TABLE);
      v128.store(q, f32x4.mul(gy, vy), 2 * TABLE);
      v128.store(q, g2, 3 * TABLE);
      rows = f32x4.add(rows, g);
      rows2 = f32x4.add(rows2, g2);
    } else {
      v128.store(q, vy, TABLE);
      v128.store(q, f32x4.mul(vy, vy), 2 * TABLE);
      v128.store(q, t, 3 * TABLE);
    }
    vy = f32x4.add(vy, fours);
  }
  const kxx = f32x4.splat(<f32>ixx);
  const kxy = f32x4.splat(<f32>(2 * ixy));
  const cut = f32x4.splat(<f32>CUT);
  const limit = f32x4.splat(<f32>(<f64>right - x0 + 0.25));
  let s = zero;
  let sx = zero;
  let sy = zero;
  let sxx = zero;
  let sxy = zero;
  let syy = zero;
  let s1 = zero;
  let s2 = zero;
  let s2i = zero;
  let highestLanes = zero;
  let vx = f32x4.add(f32x4.splat(<f32>(<f64>left - x0)), lanes);
  for (let x = left; x <= right; x += 4) {
    let p = a + (<usize>(top * w + x) << 2);
    let ca = zero;
    let cb = zero;
    let cc = zero;
    let cd = zero;
    let highest = zero;
    const tx = f32x4.mul(f32x4.mul(kxx, vx), vx);
    let f = falloff(tx);
    if (straight) {
      const inside = f32x4.le(vx, limit);
      f = v128.and(f, inside);
      for (let q = room; q < end; q += 4, p += row) {
        const v = f32x4.sub(loadA(p), sky);
        ca = f32x4.add(ca, f32x4.mul(v, v128.load32_splat(q)));
        cb = f32x4.add(cb, f32x4.mul(v, v128.load32_splat(q, TABLE)));
        cc = f32x4.add(cc, f32x4.mul(v, v128.load32_splat(q, 2 * TABLE)));
        cd = f32x4.add(cd, f32x4.mul(v, v128.load32_splat(q, 3 * TABLE)));
        highest = f32x4.pmax(highest, v);
      }
      highest = v128.and(highest, inside);
      s1 = f32x4.add(s1, f);
      s2 = f32x4.add(s2, f32x4.mul(f, f));
    } else {
      const tb = f32x4.mul(kxy, vx);
      const step = slope(tb);
      let mixing = slope(f32x4.mul(tb, start));
      let c1 = zero;
      let c2 = zero;
      for (let q = room; q < end; q += 4, p += row) {
        const ey = v128.load32_splat(q, TABLE);
        const t = f32x4.add(f32x4.add(f32x4.mul(tb, ey), tx), v128.load32_splat(q, 3 * TABLE));
        const inside = f32x4.le(t, cut);
        const v = v128.and(f32x4.sub(loadA(p), sky), inside);
        const g = v128.and(f32x4.mul(mixing, v128.load32_splat(q)), inside);
        const gv = f32x4.mul(g, v);
        mixing = f32x4.mul(mixing, step);
        ca = f32x4.add(ca, gv);
        cb = f32x4.add(cb, f32x4.mul(gv, ey));
        cc = f32x4.add(cc, f32x4.mul(gv, v128.load32_splat(q, 2 * TABLE)));
        cd = f32x4.add(cd, f32x4.mul(g, gv));
        c1 = f32x4.add(c1, g);
        c2 = f32x4.add(c2, f32x4.mul(g, g));
        highest = f32x4.pmax(highest, v);
      }
      s1 = f32x4.add(s1, f32x4.mul(f, c1));
      s2 = f32x4.add(s2, f32x4.mul(f32x4.mul(f, f), c2));
    }
    const fx = f32x4.mul(f, vx);
    s = f32x4.add(s, f32x4.mul(f, ca));
    sx = f32x4.add(sx, f32x4.mul(fx, ca));
    sxx = f32x4.add(sxx, f32x4.mul(f32x4.mul(fx, vx), ca));
    sy = f32x4.add(sy, f32x4.mul(f, cb));
    sxy = f32x4.add(sxy, f32x4.mul(fx, cb));
    syy = f32x4.add(syy, f32x4.mul(f, cc));
    s2i = f32x4.add(s2i, f32x4.mul(f32x4.mul(f, f), cd));
    highestLanes = f32x4.pmax(highestLanes, highest);
    vx = f32x4.add(vx, fours);
  }
  return takeSums(
    s, sx, sy, sxx, sxy, syy, s2i, highestLanes, straight ? across(s2) * across(rows2) : across(s2),
    straight ? across(s1) * across(rows) : across(s1),
  );
}
