/** Stored FITS samples (big-endian, BITPIX) to float32 and back (FITS 4.0 sections 4.4.1.1, 4.4.2.5 and 5). */

/** BITPIX values of the standard. */
export type Bitpix = 8 | 16 | 32 | 64 | -32 | -64;

/** How stored numbers become values: value = zero + scale × stored, in float64; stored `blank` is no data. */
export interface Scaling {
  /** BSCALE. */
  readonly scale: number;
  /** BZERO. */
  readonly zero: number;
  /** BLANK, compared with the stored integer; null when there is none. A bigint beyond 2^53. */
  readonly blank: number | bigint | null;
}

/** Whether a number is a BITPIX of the standard. */
export const isBitpix = (value: unknown): value is Bitpix =>
  value === 8 || value === 16 || value === 32 || value === 64 || value === -32 || value === -64;

/** Bytes of a stored sample. */
export const sampleBytes = (bitpix: Bitpix): number => Math.abs(bitpix) / 8;

/** How samples are stored. */
export interface SampleForm {
  /** Kind of number. */
  readonly bitpix: Bitpix;
  /** How it becomes a value. */
  readonly scaling: Scaling;
}

/**
 * Decode as many samples as `out` holds from the start of `bytes`. Integers are scaled in float64 and rounded once
 * to float32; the unsigned types (BZERO = half the range) flip the top bit, so that 64-bit counts do not lose digits
 * on the way. NaN payloads of unscaled float32 data are kept.
 */
export function decodeSamples(bytes: Uint8Array, { bitpix, scaling }: SampleForm, out: Float32Array): void {
  const count = out.length;
  const view = new DataView(bytes.buffer, bytes.byteOffset, count * sampleBytes(bitpix));
  const { scale, zero, blank } = scaling;
  const plain = blank === null && scale === 1;
  if (bitpix === 16) {
    if (plain && zero === 32768) {
      for (let i = 0; i < count; i++) out[i] = view.getUint16(2 * i) ^ 0x8000;
    } else if (blank === null) {
      for (let i = 0; i < count; i++) out[i] = zero + scale * view.getInt16(2 * i);
    } else {
      for (let i = 0; i < count; i++) {
        const stored = view.getInt16(2 * i);
        out[i] = stored === blank ? NaN : zero + scale * stored;
      }
    }
  } else if (bitpix === 8) {
    for (let i = 0; i < count; i++) {
      const stored = view.getUint8(i);
      out[i] = stored === blank ? NaN : zero + scale * stored;
    }
  } else if (bitpix === 32) {
    for (let i = 0; i < count; i++) {
      const stored = view.getInt32(4 * i);
      out[i] = stored === blank ? NaN : zero + scale * stored;
    }
  } else if (bitpix === -32) {
    if (scale === 1 && zero === 0) {
      const bits = new Int32Array(out.buffer, out.byteOffset, out.length);
      for (let i = 0; i < count; i++) bits[i] = view.getInt32(4 * i);
    } else {
      for (let i = 0; i < count; i++) out[i] = zero + scale * view.getFloat32(4 * i);
    }
  } else if (bitpix === -64) {
    for (let i = 0; i < count; i++) out[i] = zero + scale * view.getFloat64(8 * i);
  } else {
    const blank64 = blank === null ? null : BigInt.asIntN(64, BigInt(blank));
    const blankHigh = blank64 === null ? 0 : Number(blank64 >> 32n);
    const blankLow = blank64 === null ? 0 : Number(blank64 & 0xffffffffn);
    const unsigned = scale === 1 && zero === 9223372036854775808;
    for (let i = 0; i < count; i++) {
      const high = view.getInt32(8 * i);
      const low = view.getUint32(8 * i + 4);
      if (blank64 !== null && high === blankHigh && low === blankLow) out[i] = NaN;
      else if (unsigned) out[i] = ((high ^ 0x80000000) >>> 0) * 4294967296 + low;
      else out[i] = zero + scale * (high * 4294967296 + low);
    }
  }
}

/** Bytes of float32 samples as stored big-endian float32 or float64. */
export function encodeFloats(data: Float32Array, from: number, count: number, bitpix: -32 | -64): Uint8Array {
  const bytes = new Uint8Array(count * sampleBytes(bitpix));
  const view = new DataView(bytes.buffer);
  if (bitpix === -32) {
    const bits = new Int32Array(data.buffer, data.byteOffset, data.length);
    for (let i = 0; i < count; i++) view.setInt32(4 * i, bits[from + i]);
  } else {
    for (let i = 0; i < count; i++) view.setFloat64(8 * i, data[from + i]);
  }
  return bytes;
}

/** Bytes of stored integers, big-endian. */
export function encodeIntegers(stored: ArrayLike<number>, count: number, bitpix: 8 | 16 | 32): Uint8Array {
  const bytes = new Uint8Array(count * sampleBytes(bitpix));
  const view = new DataView(bytes.buffer);
  if (bitpix === 8) { for (let i = 0; i < count; i++) bytes[i] = stored[i]; }
  else if (bitpix === 16) { for (let i = 0; i < count; i++) view.setInt16(2 * i, stored[i]); }
  else for (let i = 0; i < count; i++) view.setInt32(4 * i, stored[i]);
  return bytes;
}

/** Bytes of float32 samples rounded to 16-bit integers above a zero point; the same as rounding first, in one pass. */
export function encodeRounded16(data: Float32Array, from: number, count: number, zero: number): Uint8Array {
  const bytes = new Uint8Array(count * 2);
  const view = new DataView(bytes.buffer);
  for (let i = 0; i < count; i++) view.setInt16(2 * i, Math.round(data[from + i]) - zero);
  return bytes;
}
