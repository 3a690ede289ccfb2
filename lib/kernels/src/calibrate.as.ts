// (value − subtract) / divide; a divisor that is not above 0 gives NaN. B and C are read only where the flags say so.
import { floatA, floatB, floatC, loadA, loadA16, loadB, loadB16, loadC, loadC16, putO, shortA, storeO, storeO16 } from "./planes.as";

@inline function over(v: v128, d: v128): v128 {
  return v128.bitselect(f32x4.div(v, d), f32x4.splat(NaN), f32x4.gt(d, f32x4.splat(0)));
}
@inline function overOne(v: f32, d: f32): f32 {
  return d > 0 ? v / d : <f32>NaN;
}

export function calibrateShort(a: usize, b: usize, c: usize, o: usize, n: i32, hasB: i32, hasC: i32): void {
  const flip = i16x8.splat(-32768);
  let k = n;
  for (; k >= 8; k -= 8) {
    const r = loadA(a);
    const v = v128.xor(i8x16.shuffle(r, r, 1, 0, 3, 2, 5, 4, 7, 6, 9, 8, 11, 10, 13, 12, 15, 14), flip);
    let lo = f32x4.convert_i32x4_s(i32x4.extend_low_i16x8_u(v));
    let hi = f32x4.convert_i32x4_s(i32x4.extend_high_i16x8_u(v));
    if (hasB) {
      lo = f32x4.sub(lo, loadB(b));
      hi = f32x4.sub(hi, loadB16(b));
    }
    if (hasC) {
      lo = over(lo, loadC(c));
      hi = over(hi, loadC16(c));
    }
    storeO(o, lo);
    storeO16(o, hi);
    a += 16; b += 32; c += 32; o += 32;
  }
  for (; k > 0; k--) {
    const r = shortA(a);
    let v = <f32>((((r & 255) << 8) | (r >> 8)) ^ 0x8000);
    if (hasB) v -= floatB(b);
    if (hasC) v = overOne(v, floatC(c));
    putO(o, v);
    a += 2; b += 4; c += 4; o += 4;
  }
}

export function calibrateFloat(a: usize, b: usize, c: usize, o: usize, n: i32, hasB: i32, hasC: i32): void {
  let k = n;
  for (; k >= 8; k -= 8) {
    let lo = loadA(a), hi = loadA16(a);
    if (hasB) {
      lo = f32x4.sub(lo, loadB(b));
      hi = f32x4.sub(hi, loadB16(b));
    }
    if (hasC) {
      lo = over(lo, loadC(c));
      hi = over(hi, loadC16(c));
    }
    storeO(o, lo);
    storeO16(o, hi);
    a += 32; b += 32; c += 32; o += 32;
  }
  for (; k > 0; k--) {
    let v = floatA(a);
    if (hasB) v -= floatB(b);
    if (hasC) v = overOne(v, floatC(c));
    putO(o, v);
    a += 4; b += 4; c += 4; o += 4;
  }
}
