// (value − subtract) / divide; a divisor that is not above 0 gives NaN. B and C are read only where the flags say so.
import {
  floatA, floatB, floatC, loadA, loadA16, loadA32, loadA48, loadB, loadB16, loadB32, loadB48, loadC, loadC16, loadC32, loadC48, putO,
  shortA, storeO, storeO16, storeO32, storeO48,
} from "./planes.as";

@inline function over(v: v128, d: v128): v128 {
  return v128.bitselect(f32x4.div(v, d), f32x4.splat(NaN), f32x4.gt(d, f32x4.splat(0)));
}
@inline function overOne(v: f32, d: f32): f32 {
  return d > 0 ? v / d : <f32>NaN;
}

@inline function short(a: usize, b: usize, c: usize, o: usize, n: i32, hasB: bool, hasC: bool): void {
  const flip = i16x8.splat(-32768);
  let k = n;
  for (; k >= 16; k -= 16) {
    const r = loadA(a), s = loadA16(a);
    const v = v128.xor(i8x16.shuffle(r, r, 1, 0, 3, 2, 5, 4, 7, 6, 9, 8, 11, 10, 13, 12, 15, 14), flip);
    const w = v128.xor(i8x16.shuffle(s, s, 1, 0, 3, 2, 5, 4, 7, 6, 9, 8, 11, 10, 13, 12, 15, 14), flip);
    let v0 = f32x4.convert_i32x4_s(i32x4.extend_low_i16x8_u(v)), v1 = f32x4.convert_i32x4_s(i32x4.extend_high_i16x8_u(v));
    let v2 = f32x4.convert_i32x4_s(i32x4.extend_low_i16x8_u(w)), v3 = f32x4.convert_i32x4_s(i32x4.extend_high_i16x8_u(w));
    if (hasB) {
      v0 = f32x4.sub(v0, loadB(b)); v1 = f32x4.sub(v1, loadB16(b)); v2 = f32x4.sub(v2, loadB32(b)); v3 = f32x4.sub(v3, loadB48(b));
    }
    if (hasC) {
      v0 = over(v0, loadC(c)); v1 = over(v1, loadC16(c)); v2 = over(v2, loadC32(c)); v3 = over(v3, loadC48(c));
    }
    storeO(o, v0); storeO16(o, v1); storeO32(o, v2); storeO48(o, v3);
    a += 32; b += 64; c += 64; o += 64;
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
export function calibrateShort(a: usize, b: usize, c: usize, o: usize, n: i32, hasB: i32, hasC: i32): void {
  if (hasB && hasC) short(a, b, c, o, n, true, true);
  else if (hasB) short(a, b, c, o, n, true, false);
  else if (hasC) short(a, b, c, o, n, false, true);
  else short(a, b, c, o, n, false, false);
}

@inline function float(a: usize, b: usize, c: usize, o: usize, n: i32, hasB: bool, hasC: bool): void {
  let k = n;
  for (; k >= 16; k -= 16) {
    let v0 = loadA(a), v1 = loadA16(a), v2 = loadA32(a), v3 = loadA48(a);
    if (hasB) {
      v0 = f32x4.sub(v0, loadB(b)); v1 = f32x4.sub(v1, loadB16(b)); v2 = f32x4.sub(v2, loadB32(b)); v3 = f32x4.sub(v3, loadB48(b));
    }
    if (hasC) {
      v0 = over(v0, loadC(c)); v1 = over(v1, loadC16(c)); v2 = over(v2, loadC32(c)); v3 = over(v3, loadC48(c));
    }
    storeO(o, v0); storeO16(o, v1); storeO32(o, v2); storeO48(o, v3);
    a += 64; b += 64; c += 64; o += 64;
  }
  for (; k > 0; k--) {
    let v = floatA(a);
    if (hasB) v -= floatB(b);
    if (hasC) v = overOne(v, floatC(c));
    putO(o, v);
    a += 4; b += 4; c += 4; o += 4;
  }
}
export function calibrateFloat(a: usize, b: usize, c: usize, o: usize, n: i32, hasB: i32, hasC: i32): void {
  if (hasB && hasC) float(a, b, c, o, n, true, true);
  else if (hasB) float(a, b, c, o, n, true, false);
  else if (hasC) float(a, b, c, o, n, false, true);
  else float(a, b, c, o, n, false, false);
}
