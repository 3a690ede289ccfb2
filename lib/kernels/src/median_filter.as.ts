// Median of a square neighbourhood, four pixels at a time; for pixels whose neighbourhood lies inside the plane and
// has no gaps.
import { loadA, storeO } from "./planes.as";

// Rows y0 … y1 of the result, columns reach … w − reach; the caller sees to the rest. `line`: room for all samples of
// four neighbourhoods. `own`: whether the pixel itself counts.
export function medians(
  a: usize, o: usize, w: i32, y0: i32, y1: i32, radius: i32, step: i32, own: i32, line: usize,
): void {
  const reach = radius * step;
  const side = 2 * radius + 1;
  const n = side * side - (own ? 0 : 1);
  const half = n >> 1;
  const zero = f32x4.splat(0);
  const last = w - reach - 4;
  for (let y = y0; y < y1; y++) {
    for (let x = reach; x < w - reach; x += 4) {
      // the last four overlap those before
      const at = x < last ? x : last;
      let p = line;
      for (let j = -reach; j <= reach; j += step) {
        const row = a + ((<usize>(y + j) * <usize>w + <usize>at) << 2);
        for (let i = -reach; i <= reach; i += step) {
          if (i == 0 && j == 0 && !own) continue;
          // a zero of either sign becomes +0, so that the order of comparisons leaves no trace
          v128.store(p, f32x4.add(loadA(row + (<usize>i << 2)), zero));
          p += 16;
        }
      }
      // the largest of what is left moves to the end until half is left
      let top = zero;
      for (let end = n - 1; end >= half; end--) {
        const stop = line + (<usize>end << 4);
        top = v128.load(line);
        for (let q = line; q < stop; q += 16) {
          const next = v128.load(q, 16);
          v128.store(q, f32x4.pmin(top, next));
          top = f32x4.pmax(top, next);
        }
      }
      if (!(n & 1)) {
        let below = v128.load(line);
        for (let q = line + 16, stop = line + (<usize>half << 4); q < stop; q += 16) {
          below = f32x4.pmax(below, v128.load(q));
        }
        top = f32x4.mul(f32x4.add(below, top), f32x4.splat(0.5));
      }
      storeO(o + ((<usize>(y - y0) * <usize>w + <usize>at) << 2), top);
    }
  }
}
