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
 * @param at where in `out` the first goes
 * @returns false when the bytes end too early
 */
export function decodeRice(
  bytes: Uint8Array,
  count: number,
  width: RiceWidth,
  blockSize: number,
  out: Int32Array,
  at = 0,
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
      for (let i = from; i < to; i++) out[at + i] = last;
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
        out[at + i] = last;
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
        out[at + i] = last;
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

/**
 * Encode a tile of integers.
 *
 * Positions stand as numbers beside their arrays, because tiles come by the thousand and no view is to be made for
 * each.
 *
 * @param data integers, within the range of `width` (1: 0 … 255)
 * @param from first integer of the tile
 * @param count integers of the tile
 * @param width bytes of each integer
 * @param blockSize integers that share a code, at most 256
 * @param out receives the bytes; at least {@linkcode riceBound} from `at` on
 * @param at where in `out` the first byte goes
 * @returns how many bytes were written
 */
export function encodeRice(
  data: Int32Array,
  from: number,
  count: number,
  width: RiceWidth,
  blockSize: number,
  out: Uint8Array,
  at = 0,
): number {
  if (count === 0) return 0;
  const { codeBits, most, bits } = forms[width];
  const shift = 32 - 8 * width;
  const keep = 0xffffffff >>> (32 - bits);
  let position = at;
  let last = data[from];
  for (let k = 8 * (width - 1); k >= 0; k -= 8) out[position++] = last >>> k;
  let pending = 0; // bits not yet written, highest first
  let filled = 0; // 0 to 31
  for (let start = 0; start < count; start += blockSize) {
    const size = start + blockSize < count ? blockSize : count - start;
    const base = from + start;
    const sum = width === 4 ? mapWords(data, base, size, last) : mapNarrow(data, base, size, last, shift);
    last = data[base + size - 1];
    // the number of low bits that suits the mean of the block
    const mean = Math.max(0, Math.floor((sum - (size >> 1) - 1) / size));
    const low = 32 - Math.clz32(mean >>> 1);
    const literal = low >= most;
    const code = literal ? most + 1 : sum === 0 ? 0 : low + 1;
    const stop = 1 << low;
    const lowMask = stop - 1;
    // the code of the block, then its values: each piece goes in front of the free bits, a full word goes out
    const pieces = sum === 0 ? 0 : size;
    for (let i = -1; i < pieces; i++) {
      let value: number;
      let length: number;
      if (i < 0) {
        value = code;
        length = codeBits;
      } else if (literal) {
        value = mapped[i] & keep;
        length = bits;
      } else {
        const each = mapped[i];
        value = stop | (each & lowMask);
        length = (each >>> low) + low + 1;
        if (length > 32) {
          // zeros alone, word by word, until the rest is short enough
          const zeros = length - low - 1;
          filled += zeros;
          while (filled >= 32) {
            out[position] = pending >>> 24;
            out[position + 1] = pending >>> 16;
            out[position + 2] = pending >>> 8;
            out[position + 3] = pending;
            position += 4;
            pending = 0;
            filled -= 32;
          }
          length = low + 1;
        }
      }
      const room = 32 - filled;
      if (length < room) {
        pending |= value << (room - length);
        filled += length;
      } else {
        filled = length - room;
        pending |= value >>> filled;
        out[position] = pending >>> 24;
        out[position + 1] = pending >>> 16;
        out[position + 2] = pending >>> 8;
        out[position + 3] = pending;
        position += 4;
        pending = filled === 0 ? 0 : value << (32 - filled);
      }
    }
  }
  for (; filled > 0; filled -= 8) {
    out[position++] = pending >>> 24;
    pending <<= 8;
  }
  return position - at;
}
