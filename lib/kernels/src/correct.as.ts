// (value − subtract) × multiply over rows; B and C are read only where the flags say so. Values are floats, or
// big-endian unsigned 16-bit integers as FITS stores them (BZERO 32768).
import { floatA, floatB, floatC, loadA, loadA16, loadA32, loadA48, loadB, loadB16, loadB32, loadB48, loadC, loadC16,
  loadC32, loadC48, putO, shortA, storeO, storeO16, storeO32, storeO48 } from "./planes.as";

@inline function row(a: usize, b: usize, c: usize, o: usize, n: i32, hasB: bool, hasC: bool): void {
  let k = n;
  for (; k >= 16; k -= 16) {
    let v0 = loadA(a);
    let v1 = loadA16(a);
    let v2 = loadA32(a);
    let v3 = loadA48(a);
    if (hasB) {
      v0 = f32x4.sub(v0, loadB(b));
      v1 = f32x4.sub(v1, loadB16(b));
      v2 = f32x4.sub(v2, loadB32(b));
      v3 = f32x4.sub(v3, loadB48(b));
    }
    if (hasC) {
      v0 = f32x4.mul(v0, loadC(c));
      v1 = f32x4.mul(v1, loadC16(c));
      v2 = f32x4.mul(v2, loadC32(c));
      v3 = f32x4.mul(v3, loadC48(c));
    }
    storeO(o, v0); storeO16(o, v1); storeO32(o, v2); storeO48(o, v3);
    a += 64; b += 64; c += 64; o += 64;
  }
  for (; k > 0; k--) {
    let v = floatA(a);
    if (hasB) v -= floatB(b);
    if (hasC) v *= floatC(c);
    putO(o, v);
    a += 4; b += 4; c += 4; o += 4;
  }
}

// `rows` rows of `width` samples: those of A and O lie behind one another, those of B and C `pitch` bytes apart.
export function correct(
  a: usize, b: usize, c: usize, o: usize, width: i32, rows: i32, pitch: usize, hasB: i32, hasC: i32,
): void {
  const step = <usize>width << 2;
  for (let y = 0; y < rows; y++, a += step, o += step, b += pitch, c += pitch) {
    if (hasB && hasC) row(a, b, c, o, width, true, true);
    else if (hasB) row(a, b, c, o, width, true, false);
    else if (hasC) row(a, b, c, o, width, false, true);
    else row(a, b, c, o, width, false, false);
  }
}

@inline function shortRow(a: usize, b: usize, c: usize, o: usize, n: i32, hasB: bool, hasC: bool): void {
  const flip = i16x8.splat(-32768);
  let k = n;
  for (; k >= 16; k -= 16) {
    const r = loadA(a);
    const s = loadA16(a);
    const v = v128.xor(i8x16.shuffle(r, r, 1, 0, 3, 2, 5, 4, 7, 6, 9, 8, 11, 10, 13, 12, 15, 14), flip);
    const w = v128.xor(i8x16.shuffle(s, s, 1, 0, 3, 2, 5, 4, 7, 6, 9, 8, 11, 10, 13, 12, 15, 14), flip);
    let v0 = f32x4.convert_i32x4_s(i32x4.extend_low_i16x8_u(v));
    let v1 = f32x4.convert_i32x4_s(i32x4.extend_high_i16x8_u(v));
    let v2 = f32x4.convert_i32x4_s(i32x4.extend_low_i16x8_u(w));
    let v3 = f32x4.convert_i32x4_s(i32x4.extend_high_i16x8_u(w));
    if (hasB) {
      v0 = f32x4.sub(v0, loadB(b));
      v1 = f32x4.sub(v1, loadB16(b));
      v2 = f32x4.sub(v2, loadB32(b));
      v3 = f32x4.sub(v3, loadB48(b));
    }
    if (hasC) {
      v0 = f32x4.mul(v0, loadC(c));
      v1 = f32x4.mul(v1, loadC16(c));
      v2 = f32x4.mul(v2, loadC32(c));
      v3 = f32x4.mul(v3, loadC48(c));
    }
    storeO(o, v0); storeO16(o, v1); storeO32(o, v2); storeO48(o, v3);
    a += 32; b += 64; c += 64; o += 64;
  }
  for (; k > 0; k--) {
    const r = shortA(a);
    let v = <f32>((((r & 255) << 8) | (r >> 8)) ^ 0x8000);
    if (hasB) v -= floatB(b);
    if (hasC) v *= floatC(c);
    putO(o, v);
    a += 2; b += 4; c += 4; o += 4;
  }
}
export function correctShort(
  a: usize, b: usize, c: usize, o: usize, width: i32, rows: i32, pitch: usize, hasB: i32, hasC: i32,
): void {
  const step = <usize>width << 2;
  for (let y = 0; y < rows; y++, a += step >> 1, o += step, b += pitch, c += pitch) {
    if (hasB && hasC) shortRow(a, b, c, o, width, true, true);
    else if (hasB) shortRow(a, b, c, o, width, true, false);
    else if (hasC) shortRow(a, b, c, o, width, false, true);
    else shortRow(a, b, c, o, width, false, false);
  }
}
