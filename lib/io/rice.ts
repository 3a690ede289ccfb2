/**
 * Rice coding of integer tiles as FITS 4.0 section 10.4.1 sets it down: the first value as it is, then blocks of mapped
 * differences, each with its own number of low bits (Rice, Yeh & Miller 1993, cited there).
 */

/** Bytes of the integers that are coded. */
export type RiceWidth = 1 | 2 | 4;

interface Form {
  /** Bits of the code that tells how many low bits a block has. */
  readonly codeBits: number;
  /** Blocks whose low bits would exceed this are stored as they are. */
  readonly most: number;
  /** Bits of a difference stored as it is. */
  readonly bits: number;
}

const forms: Readonly<Record<RiceWidth, Form>> = Object.freeze({
  1: { codeBits: 3, most: 6, bits: 8 },
  2: { codeBits: 4, most: 14, bits: 16 },
  4: { codeBits: 5, most: 25, bits: 32 },
});

/** Words for a coded tile as 32-bit numbers, first bit highest; kept between calls, for tiles come by the thousand. */
let words = new Uint32Array(4096);

function asWords(bytes: Uint8Array): Uint32Array {
  const whole = bytes.length >> 2;
  const need = whole + 3; // a window may look two words beyond the end
  if (words.length < need) words = new Uint32Array(need * 2);
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
  for (let i = 0; i < whole; i++) words[i] = view.getUint32(4 * i);
  let last = 0;
  for (let i = whole * 4; i < bytes.length; i++) last |= bytes[i] << (24 - 8 * (i - whole * 4));
  words[whole] = last;
  words[whole + 1] = 0;
  words[whole + 2] = 0;
  return words;
}

/**
 * Decode a tile of `count` integers.
 *
 * @param bytes the coded tile
 * @param count integers in it
 * @param width bytes of each integer: 1 unsigned, 2 and 4 signed
 * @param blockSize integers that share a code (BLOCKSIZE)
 * @param out receives the integers
 * @returns false when the bytes end too early
 */
export function decodeRice(
  bytes: Uint8Array,
  count: number,
  width: RiceWidth,
  blockSize: number,
  out: Int32Array,
): boolean {
  if (count === 0) return true;
  if (bytes.length < width) return false;
  const { codeBits, most, bits } = forms[width];
  const source = asWords(bytes);
  const end = bytes.length * 8;
  const shift = 32 - 8 * width; // sign extension of the narrow types
  const codeShift = 32 - codeBits;
  let last = width === 1 ? bytes[0] : (source[0] | 0) >> shift;
  let bit = 8 * width;
  for (let from = 0; from < count; from += blockSize) {
    const to = from + blockSize < count ? from + blockSize : count;
    if (bit + codeBits > end) return false;
    let word = bit >>> 5;
    let gone = bit & 31;
    const code = ((source[word] << gone) | ((source[word + 1] >>> 1) >>> (31 - gone))) >>> codeShift;
    bit += codeBits;
    if (code === 0) {
      for (let i = from; i < to; i++) out[i] = last;
    } else if (code <= most) {
      const low = code - 1;
      const lowMask = (1 << low) - 1;
      for (let i = from; i < to; i++) {
        word = bit >>> 5;
        gone = bit & 31;
        let window = (source[word] << gone) | ((source[word + 1] >>> 1) >>> (31 - gone));
        let zeros = Math.clz32(window);
        let mapped: number;
        if (zeros + 1 + low <= 32) {
          bit += zeros + 1 + low;
          mapped = (zeros << low) | ((window >>> (31 - zeros - low)) & lowMask);
        } else {
          zeros = 0;
          while (window === 0) {
            zeros += 32;
            bit += 32;
            if (bit >= end) return false;
            word = bit >>> 5;
            gone = bit & 31;
            window = (source[word] << gone) | ((source[word + 1] >>> 1) >>> (31 - gone));
          }
          const more = Math.clz32(window);
          zeros += more;
          bit += more + 1;
          word = bit >>> 5;
          gone = bit & 31;
          window = (source[word] << gone) | ((source[word + 1] >>> 1) >>> (31 - gone));
          bit += low;
          mapped = low === 0 ? zeros : (zeros << low) | (window >>> (32 - low));
        }
        const difference = (mapped >>> 1) ^ -(mapped & 1);
        last = width === 1 ? (last + difference) & 0xff : ((last + difference) << shift) >> shift;
        out[i] = last;
      }
      if (bit > end) return false;
    } else {
      if (bit + bits * (to - from) > end) return false;
      for (let i = from; i < to; i++) {
        word = bit >>> 5;
        gone = bit & 31;
        const window = (source[word] << gone) | ((source[word + 1] >>> 1) >>> (31 - gone));
        bit += bits;
        const mapped = window >>> (32 - bits);
        const difference = (mapped >>> 1) ^ -(mapped & 1);
        last = width === 1 ? (last + difference) & 0xff : ((last + difference) << shift) >> shift;
        out[i] = last;
      }
    }
  }
  return true;
}

const largestBlock = 256;
/** Mapped differences of one block: 0, −1, 1, −2 … become 0, 1, 2, 3 … */
const mapped = new Int32Array(largestBlock);

/** Map the differences of a block of 32-bit integers; their sum, which may lie beyond 32 bits. */
function mapWords(data: Int32Array, base: number, size: number, before: number): number {
  let last = before;
  let sum = 0;
  for (let i = 0; i < size; i++) {
    const value = data[base + i];
    const difference = (value - last) | 0;
    const each = (difference << 1) ^ (difference >> 31);
    mapped[i] = each;
    sum += each >>> 0;
    last = value;
  }
  return sum;
}

/** The same of narrower integers, `shift` bits short of 32. */
function mapNarrow(data: Int32Array, base: number, size: number, before: number, shift: number): number {
  let last = before;
  let sum = 0;
  for (let i = 0; i < size; i++) {
    const value = data[base + i];
    const difference = ((value - last) << shift) >> shift;
    const each = (difference << 1) ^ (difference >> 31);
    mapped[i] = each;
    sum = (sum + each) | 0;
    last = value;
  }
  return sum;
}

/** Most bytes a coded tile can take. */
export const riceBound = (count: number, width: RiceWidth, blockSize: number): number =>
  width + count * width + Math.ceil(count / blockSize) + 16;

/** Bits on their way into bytes, first bit highest; a full word goes out at once. */
class BitSink {
  private readonly out: Uint8Array;
  private pending = 0;
  /** Bits of `pending`, 0 to 31. */
  private filled = 0;
  /** Bytes that are out. */
  position = 0;

  constructor(out: Uint8Array) {
    this.out = out;
  }
  /** The lowest `length` bits of a value, at most 32; the bits above them are zero. */
  push(value: number, length: number): void {
    const room = 32 - this.filled;
    if (length < room) {
      this.pending |= value << (room - length);
      this.filled += length;
      return;
    }
    this.filled = length - room;
    this.pending |= value >>> this.filled;
    this.putWord();
    this.pending = this.filled === 0 ? 0 : value << (32 - this.filled);
  }
  /** Any number of zeros. */
  pushZeros(count: number): void {
    this.filled += count;
    while (this.filled >= 32) {
      this.putWord();
      this.pending = 0;
      this.filled -= 32;
    }
  }
  /** What has begun, up to a whole byte. */
  finish(): void {
    for (; this.filled > 0; this.filled -= 8) {
      this.out[this.position++] = this.pending >>> 24;
      this.pending <<= 8;
    }
  }
  private putWord(): void {
    const { out, pending, position } = this;
    out[position] = pending >>> 24;
    out[position + 1] = pending >>> 16;
    out[position + 2] = pending >>> 8;
    out[position + 3] = pending;
    this.position = position + 4;
  }
}

/** The mapped differences of a block, each as its high part in zeros and a one, then its `low` bits. */
function pushBlock(sink: BitSink, size: number, low: number): void {
  const stop = 1 << low;
  const lowMask = stop - 1;
  for (let i = 0; i < size; i++) {
    const each = mapped[i];
    const zeros = each >>> low;
    if (zeros + low + 1 > 32) {
      sink.pushZeros(zeros);
      sink.push(stop | (each & lowMask), low + 1);
    } else sink.push(stop | (each & lowMask), zeros + low + 1);
  }
}

/**
 * Encode a tile of integers.
 *
 * @param data integers, within the range of `width` (1: 0 … 255)
 * @param width bytes of each integer
 * @param blockSize integers that share a code, at most 256
 * @param out receives the bytes; at least {@linkcode riceBound} of them
 * @returns how many bytes were written
 */
export function encodeRice(data: Int32Array, width: RiceWidth, blockSize: number, out: Uint8Array): number {
  const count = data.length;
  if (count === 0) return 0;
  const { codeBits, most, bits } = forms[width];
  const shift = 32 - 8 * width;
  const keep = 0xffffffff >>> (32 - bits);
  const sink = new BitSink(out);
  let last = data[0];
  sink.push(last & keep, bits);
  for (let start = 0; start < count; start += blockSize) {
    const size = Math.min(blockSize, count - start);
    const sum = width === 4 ? mapWords(data, start, size, last) : mapNarrow(data, start, size, last, shift);
    last = data[start + size - 1];
    // the number of low bits that suits the mean of the block
    const mean = Math.max(0, Math.floor((sum - (size >> 1) - 1) / size));
    const low = 32 - Math.clz32(mean >>> 1);
    if (sum === 0) sink.push(0, codeBits);
    else if (low < most) {
      sink.push(low + 1, codeBits);
      pushBlock(sink, size, low);
    } else {
      sink.push(most + 1, codeBits);
      for (let i = 0; i < size; i++) sink.push(mapped[i] & keep, bits);
    }
  }
  sink.finish();
  return sink.position;
}
