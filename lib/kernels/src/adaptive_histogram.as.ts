// Histograms of the tiles of a picture, and the picture drawn through the curves of its tiles.
import { floatA, loadA, putO, storeO } from "./planes.as";

@inline function toneOf(v: v128, all: v128, last: v128): v128 {
  const tone = i32x4.min_s(i32x4.max_s(i32x4.trunc_sat_f32x4_s(f32x4.mul(v, all)), i32x4.splat(0)), last);
  return v128.bitselect(tone, i32x4.add(last, i32x4.splat(1)), f32x4.eq(v, v));
}
@inline function add(at: usize, tone: i32): void {
  const p = at + (<usize>tone << 2);
  store<u32>(p, load<u32>(p) + 1);
}

// Counts of `tones` equal bins of 0 … 1, what lies beyond in the outermost ones, and of samples without data behind
// them, of columns x0 … x1 of rows y0 … y1: words at `counts`, which are zeroed here, in four tables of tones + 1
// whose sum is the result.
export function countTileHistograms(
  a: usize, w: i32, x0: i32, x1: i32, y0: i32, y1: i32, tones: i32, counts: usize,
): void {
  const size = <usize>(tones + 1) << 2;
  const all = f32x4.splat(<f32>tones);
  const last = i32x4.splat(tones - 1);
  for (let k: usize = 0; k < 4 * size; k += 4) store<u32>(counts + k, 0);
  for (let y = y0; y < y1; y++) {
    let p = a + (<usize>(y * w + x0) << 2);
    const end = p + (<usize>(x1 - x0) << 2);
    for (; p + 16 <= end; p += 16) {
      const tone = toneOf(loadA(p), all, last);
      add(counts, i32x4.extract_lane(tone, 0));
      add(counts + size, i32x4.extract_lane(tone, 1));
      add(counts + 2 * size, i32x4.extract_lane(tone, 2));
      add(counts + 3 * size, i32x4.extract_lane(tone, 3));
    }
    for (; p < end; p += 4) add(counts, i32x4.extract_lane(toneOf(f32x4.splat(floatA(p)), all, last), 0));
  }
  for (let k: usize = 0; k < size; k += 4) {
    const p = counts + k;
    store<u32>(p, load<u32>(p) + load<u32>(p + size) + load<u32>(p + 2 * size) + load<u32>(p + 3 * size));
  }
}

@inline function pairsAt(base: v128): v128 {
  return v128.load64_lane(<usize>i32x4.extract_lane(base, 1), v128.load64_zero(<usize>i32x4.extract_lane(base, 0)), 1);
}
@inline function laterPairsAt(base: v128): v128 {
  return v128.load64_lane(<usize>i32x4.extract_lane(base, 3), v128.load64_zero(<usize>i32x4.extract_lane(base, 2)), 1);
}
@inline function drawn(
  t: v128, left: v128, right: v128, part: v128, all: v128, last: v128, strength: v128,
): v128 {
  const zero = f32x4.splat(0);
  const one = f32x4.splat(1);
  const p = f32x4.mul(f32x4.pmin(one, f32x4.pmax(zero, t)), all);
  const tone = i32x4.min_s(i32x4.trunc_sat_f32x4_s(p), last);
  const f = f32x4.sub(p, f32x4.convert_i32x4_s(tone));
  const at = i32x4.shl(tone, 3);
  const a = i32x4.add(left, at);
  const b = i32x4.add(right, at);
  const a0 = pairsAt(a);
  const a1 = laterPairsAt(a);
  const b0 = pairsAt(b);
  const b1 = laterPairsAt(b);
  const near = f32x4.add(v128.shuffle<f32>(a0, a1, 0, 2, 4, 6), f32x4.mul(f, v128.shuffle<f32>(a0, a1, 1, 3, 5, 7)));
  const far = f32x4.add(v128.shuffle<f32>(b0, b1, 0, 2, 4, 6), f32x4.mul(f, v128.shuffle<f32>(b0, b1, 1, 3, 5, 7)));
  const aim = f32x4.add(near, f32x4.mul(part, f32x4.sub(far, near)));
  // The blend of four curves may round to a hair beyond the ends.
  return f32x4.pmin(f32x4.pmax(f32x4.add(t, f32x4.mul(strength, f32x4.sub(aim, t))), zero), one);
}

// Rows y0 … y1 of A drawn to O. `nodes`: heights of the tiles' rising curves, tones + 1 floats each, tiles row by row.
// Scratch: `sides` has three lines of w floats, rounded up to whole vectors: for each column the byte offsets in
// `pairs` of the curves of the tiles to its left and right, and its place between their centres; `pairs` room for 2
// across (tones + 1) floats, `edge` for a vector.
export function applyTileCurves(
  a: usize, o: usize, w: i32, h: i32, y0: i32, y1: i32, across: i32, down: i32, tones: i32, nodes: usize, sides: usize,
  pairs: usize,
  edge: usize, strength: f32,
): void {
  const count = across * (tones + 1);
  const line = <usize>((w + 3) & ~3) << 2;
  const row = <usize>w << 2;
  const whole = row & ~15;
  const all = f32x4.splat(<f32>tones);
  const last = i32x4.splat(tones - 1);
  const s = f32x4.splat(strength);
  const base = i32x4.splat(<i32>pairs);
  for (let y = y0; y < y1; y++) {
    const v = ((<f64>y + 0.5) * <f64>down) / <f64>h - 0.5;
    const k = floor(v);
    const fy = <f32>(v - k);
    const r = <i32>k;
    const upper = nodes + (<usize>(max(0, r) * count) << 2);
    const lower = nodes + (<usize>(min(down - 1, r + 1) * count) << 2);
    // Of a row all pixels lie equally far between two rows of tiles: those curves are blended once, as pairs of height
    // and rise. The pair behind a curve's last node is never asked for.
    let here: f32 = load<f32>(upper) + fy * (load<f32>(lower) - load<f32>(upper));
    for (let n = 0; n < count; n++) {
      const p = (<usize>n << 2) + 4;
      const u = load<f32>(upper + p);
      const next: f32 = u + fy * (load<f32>(lower + p) - u);
      const to = pairs + (<usize>n << 3);
      store<f32>(to, here);
      store<f32>(to, next - here, 4);
      here = next;
    }
    let x: usize = 0;
    for (; x < whole; x += 16) {
      const p = sides + x;
      const tones = loadA(a + <usize>y * row + x);
      const left = i32x4.add(v128.load(p), base);
      const right = i32x4.add(v128.load(p + line), base);
      storeO(o + x, drawn(tones, left, right, v128.load(p + 2 * line), all, last, s));
    }
    if (x < row) {
      const p = sides + x;
      for (let i: usize = 0; x + i < row; i += 4) store<f32>(edge + i, floatA(a + <usize>y * row + x + i));
      const left = i32x4.add(v128.load(p), base);
      const right = i32x4.add(v128.load(p + line), base);
      v128.store(edge, drawn(v128.load(edge), left, right, v128.load(p + 2 * line), all, last, s));
      for (let i: usize = 0; x + i < row; i += 4) putO(o + x + i, load<f32>(edge + i));
    }
    o += row;
  }
}
