/** Run-length lists of integer masks: the PLIO_1 tiles of FITS 4.0 section 10.4.3. */

/**
 * Decode a tile.
 *
 * @param bytes the list as big-endian 16-bit words
 * @param count integers of the tile
 * @param out receives them
 * @returns false when the list makes no sense
 */
export function decodePlio(bytes: Uint8Array, count: number, out: Int32Array): boolean {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
  const words = bytes.length >> 1;
  const word = (index: number): number => view.getInt16(2 * index);
  if (words < 3) return false;
  // a positive third word is the length of the older form, whose header is three words
  const older = word(2) > 0;
  if (!older && words < 5) return false;
  const length = older ? word(2) : word(3) + word(4) * 32768;
  const first = older ? 3 : word(1);
  if (length > words || first < 0) return false;
  let level = 1;
  let at = 0;
  for (let index = first; index < length && at < count; index++) {
    const opcode = (word(index) >> 12) & 15;
    const data = word(index) & 4095;
    if (opcode === 0 || opcode === 4 || opcode === 5) {
      const end = Math.min(at + data, count);
      const whole = at + data <= count;
      out.fill(opcode === 4 ? level : 0, at, end);
      if (opcode === 5 && whole && data > 0) out[end - 1] = level;
      at = end;
    } else if (opcode === 1) {
      if (index + 1 >= words) return false;
      level = word(++index) * 4096 + data;
    } else if (opcode === 2) level += data;
    else if (opcode === 3) level -= data;
    else if (opcode === 6 || opcode === 7) {
      level += opcode === 6 ? data : -data;
      out[at++] = level;
    } else return false;
  }
  out.fill(0, at, count);
  return true;
}
