/** The checksum of the FITS Standard 4.0, section 4.4.2.7 and appendix J: 32-bit ones' complement sums. */

/** Host order decides how a 32-bit load sees big-endian bytes. */
const littleEndian: boolean = new Uint8Array(new Uint32Array([1]).buffer)[0] === 1;

const fold = (sum: number): number => {
  let folded = sum;
  while (folded > 0xffffffff) folded = (folded % 0x100000000) + Math.floor(folded / 0x100000000);
  return folded;
};

/** Ones' complement sum of two sums. */
export const joinSums = (a: number, b: number): number => fold(a + b);

/**
 * Ones' complement sum of bytes as big-endian 32-bit numbers, on top of an earlier sum. The bytes must be a multiple
 * of four (only the last piece of a data unit may be shorter; it counts as padded with zeros).
 */
export function sumBytes(bytes: Uint8Array, before = 0): number {
  const whole = bytes.length & ~3;
  let total = before;
  if (littleEndian && bytes.byteOffset % 4 === 0) {
    // Four bytes a load: even and odd bytes are added in pairs of 16-bit lanes, emptied before they can overflow.
    const words = new Uint32Array(bytes.buffer, bytes.byteOffset, whole / 4);
    for (let from = 0; from < words.length; from += 256) {
      const to = Math.min(from + 256, words.length);
      let even = 0;
      let odd = 0;
      for (let at = from; at < to; at++) {
        const word = words[at];
        even = (even + (word & 0x00ff00ff)) | 0;
        odd = (odd + ((word >>> 8) & 0x00ff00ff)) | 0;
      }
      total += (even & 0xffff) * 0x1000000 + (odd & 0xffff) * 0x10000 + (even >>> 16) * 0x100 + (odd >>> 16);
      if (total > 0x8000000000000) total = fold(total); // stay exact in a double
    }
  } else {
    for (let at = 0; at < whole; at += 4) {
      total += ((bytes[at] << 24) | (bytes[at + 1] << 16) | (bytes[at + 2] << 8) | bytes[at + 3]) >>> 0;
      if (total > 0x8000000000000) total = fold(total);
    }
  }
  let rest = 0;
  for (let at = whole, scale = 0x1000000; at < bytes.length; at++, scale /= 256) rest += bytes[at] * scale;
  return fold(total + rest);
}

/** The 16 characters that make an HDU, whose sum with sixteen `0` in their place is `sum`, add up to all ones. */
export function encodeSum(sum: number): string {
  const rest = (~sum) >>> 0;
  const text = new Uint8Array(16);
  const forbidden = (code: number) => (code >= 0x3a && code <= 0x40) || (code >= 0x5b && code <= 0x60);
  for (let i = 0; i < 4; i++) {
    const byte = (rest >>> (24 - 8 * i)) & 0xff;
    const part = Math.floor(byte / 4) + 0x30;
    const codes = [part + byte % 4, part, part, part];
    for (let again = true; again;) {
      again = false;
      for (let j = 0; j < 4; j += 2) {
        if (forbidden(codes[j]) || forbidden(codes[j + 1])) {
          codes[j]++;
          codes[j + 1]--;
          again = true;
        }
      }
    }
    for (let j = 0; j < 4; j++) text[4 * j + i] = codes[j];
  }
  let result = "";
  for (let k = 0; k < 16; k++) result += String.fromCharCode(text[(k + 15) % 16]);
  return result;
}
