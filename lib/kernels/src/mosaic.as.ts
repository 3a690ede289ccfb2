// One colour's plane from a Bayer mosaic: linear filters over 5 × 5 samples, or means of the nearest samples. Every
// pixel is worked out by both formulas of its row, and the column says which one stays.
import { floatA, loadA, loadA16, loadA32, loadA48, putO, storeO } from "./planes.as";

@inline function mirrored(i: i32, size: i32): i32 {
  if (size == 1) return 0;
  const period = 2 * (size - 1);
  const k = ((i % period) + period) % period;
  return k < size ? k : period - k;
}

// Row y of the mosaic with mirrored samples on both sides: sample 0 stands at `to` + 16, what lies behind the row is 0.
function fetch(a: usize, w: i32, h: i32, y: i32, to: usize): void {
  const from = a + (<usize>mirrored(y, h) * <usize>w << 2);
  const line = to + 16;
  const end = <usize>w << 2;
  let k: usize = 0;
  for (; k + 64 <= end; k += 64) {
    const p = from + k;
    const q = line + k;
    v128.store(q, loadA(p));
    v128.store(q, loadA16(p), 16);
    v128.store(q, loadA32(p), 32);
    v128.store(q, loadA48(p), 48);
  }
  for (; k < end; k += 4) store<f32>(line + k, floatA(from + k));
  for (let i = 1; i <= 2; i++) {
    store<f32>(line - (<usize>i << 2), floatA(from + (<usize>mirrored(-i, w) << 2)));
    store<f32>(line + (<usize>(w - 1 + i) << 2), floatA(from + (<usize>mirrored(w - 1 + i, w) << 2)));
  }
}

@inline function plus(a: v128, b: v128): v128 { return f32x4.add(a, b); }
@inline function times(a: f32, b: v128): v128 { return f32x4.mul(f32x4.splat(a), b); }
@inline function cornersAt(b: usize, d: usize): v128 {
  return plus(plus(v128.load(b, 12), v128.load(b, 20)), plus(v128.load(d, 12), v128.load(d, 20)));
}

// Formulas: 0 the sample itself, 1 from the four sides, 2 from the corners, 3 from left and right, 4 from above and
// below. The addresses are those of a pixel less 16 bytes in the five rows.
@inline function value(formula: i32, linear: bool, a: usize, b: usize, c: usize, d: usize, e: usize): v128 {
  const own = v128.load(c, 16);
  if (formula == 0) return own;
  const upright = plus(v128.load(b, 16), v128.load(d, 16));
  const sides = plus(v128.load(c, 12), v128.load(c, 20));
  if (linear) {
    if (formula == 1) return times(0.25, plus(upright, sides));
    if (formula == 2) return times(0.25, cornersAt(b, d));
    return times(0.5, formula == 3 ? sides : upright);
  }
  const down = plus(v128.load(a, 16), v128.load(e, 16));
  const across = plus(v128.load(c, 8), v128.load(c, 24));
  if (formula == 1) {
    return times(0.125, f32x4.sub(plus(times(4, own), times(2, plus(upright, sides))), plus(down, across)));
  }
  const corners = cornersAt(b, d);
  if (formula == 2) {
    return times(0.125, f32x4.sub(plus(times(6, own), times(2, corners)), times(1.5, plus(down, across))));
  }
  const along = formula == 3 ? sides : upright;
  const far = formula == 3 ? across : down;
  const beside = formula == 3 ? down : across;
  return times(0.125, plus(f32x4.sub(plus(times(5, own), times(4, along)), plus(corners, far)), times(0.5, beside)));
}

// The formula is the same for a whole row: one loop for each pair of them.
@inline function row(
  even: i32, odd: i32, linear: bool, a: usize, b: usize, c: usize, d: usize, e: usize, o: usize, w: i32, line: usize,
): v128 {
  const mask = i32x4(-1, 0, -1, 0);
  const end = <usize>w << 2;
  let holes = i32x4.splat(0);
  let k: usize = 0;
  for (; k < end; k += 16) {
    const r = v128.bitselect(
      value(even, linear, a + k, b + k, c + k, d + k, e + k),
      value(odd, linear, a + k, b + k, c + k, d + k, e + k),
      mask,
    );
    if (k + 16 <= end) {
      holes = v128.or(holes, f32x4.ne(r, r));
      storeO(o + k, r);
    } else {
      v128.store(line, r);
      for (let i: usize = 0; k + i < end; i += 4) {
        const one = load<f32>(line + i);
        if (one != one) holes = i32x4.splat(-1);
        putO(o + k + i, one);
      }
    }
  }
  return holes;
}

@inline function rowOf(
  kind: i32, linear: bool, a: usize, b: usize, c: usize, d: usize, e: usize, o: usize, w: i32, line: usize,
): v128 {
  // green beside a red or blue site at an even column, at an odd one; red or blue in its own rows; in the other's rows
  if (kind == 0) return row(1, 0, linear, a, b, c, d, e, o, w, line);
  if (kind == 1) return row(0, 1, linear, a, b, c, d, e, o, w, line);
  if (kind == 2) return row(0, 3, linear, a, b, c, d, e, o, w, line);
  if (kind == 3) return row(3, 0, linear, a, b, c, d, e, o, w, line);
  if (kind == 4) return row(2, 4, linear, a, b, c, d, e, o, w, line);
  return row(4, 2, linear, a, b, c, d, e, o, w, line);
}

// Plane of `colour` (0 red, 1 green, 2 blue) into O; 1 when a sample came out missing. `lines`: 6 lines of `pitch`
// bytes, each with room for the row and 48 bytes.
export function mosaic(
  a: usize, o: usize, w: i32, h: i32, redX: i32, redY: i32, colour: i32, linear: i32, lines: usize, pitch: usize,
): i32 {
  for (let k = 0; k < 5; k++) fetch(a, w, h, k - 2, lines + <usize>k * pitch);
  let holes = i32x4.splat(0);
  let r0 = lines;
  let r1 = lines + pitch;
  let r2 = r1 + pitch;
  let r3 = r2 + pitch;
  let r4 = r3 + pitch;
  const spare = r4 + pitch;
  for (let y = 0; y < h; y++, o += <usize>w << 2) {
    const redRow = ((y - redY) & 1) == 0;
    // Column of the row's own colour: red in a red row, blue in a blue one.
    const first = redRow ? redX & 1 : (redX + 1) & 1;
    const ownRow = (colour == 0) == redRow;
    const kind = colour == 1 ? first : ownRow ? 2 + first : 4 + first;
    // In the other colour's rows the site of that colour takes the corners, which is formula 2.
    const missing = linear != 0
      ? rowOf(kind, true, r0, r1, r2, r3, r4, o, w, spare)
      : rowOf(kind, false, r0, r1, r2, r3, r4, o, w, spare);
    holes = v128.or(holes, missing);
    const free = r0;
    r0 = r1; r1 = r2; r2 = r3; r3 = r4; r4 = free;
    if (y + 1 < h) fetch(a, w, h, y + 3, free);
  }
  return v128.any_true(holes) ? 1 : 0;
}
