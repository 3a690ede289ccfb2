/**
 * HCOMPRESS_1 tiles of FITS 4.0 section 10.4.4: an H-transform whose bit planes are coded as quadtrees (White, Postman
 * & Lattanzi 1992, cited there). Numbers are kept as doubles, exact to 2^53, so that 32-bit images need no second
 * version.
 */

/** Bits of a coded tile, first bit highest; reading behind the end gives zeros and is noticed. */
class Bits {
  private readonly bytes: Uint8Array;
  private bit: number;

  constructor(bytes: Uint8Array, from: number) {
    this.bytes = bytes;
    this.bit = from * 8;
  }
  one(): number {
    const at = this.bit++;
    return ((this.bytes[at >> 3] ?? 0) >> (7 - (at & 7))) & 1;
  }
  four(): number {
    return (this.one() << 3) | (this.one() << 2) | (this.one() << 1) | this.one();
  }
  /** Start of the next byte. */
  align(): void {
    this.bit = (this.bit + 7) & ~7;
  }
  get over(): boolean {
    return this.bit > this.bytes.length * 8;
  }
  /** The fixed Huffman code of the 4-bit values. */
  code(): number {
    let c = (this.one() << 2) | (this.one() << 1) | this.one();
    if (c < 4) return 1 << c;
    c = (c << 1) | this.one();
    if (c < 13) return fourBits[c - 8];
    c = (c << 1) | this.one();
    if (c < 31) return fiveBits[c - 26];
    c = (c << 1) | this.one();
    return c === 62 ? 0 : 14;
  }
}

const fourBits = [3, 5, 10, 12, 15];
const fiveBits = [6, 7, 9, 11, 13];

const log2Up = (value: number): number => value <= 1 ? 0 : 32 - Math.clz32(value - 1);

/** Sizes on the way from one cell to `full` cells in `steps` doublings: each is half the next, rounded up. */
function sizesTo(full: number, steps: number): number[] {
  const sizes = [full];
  for (let k = 0; k < steps; k++) sizes.unshift((sizes[0] + 1) >> 1);
  return sizes;
}

/** A quadrant of the transform: `nx` × `ny` of its values from `from` on. */
interface Quadrant {
  readonly a: Float64Array;
  readonly from: number;
  readonly stride: number;
  readonly nx: number;
  readonly ny: number;
}

/** Put the four bits of each cell into bit plane `plane` of the 2 × 2 values it stands for. */
function insertBits(cells: Uint8Array, { a, from, stride, nx, ny }: Quadrant, plane: number): void {
  const weight = 2 ** plane;
  const across = (ny + 1) >> 1;
  for (let x = 0; x < nx; x++) {
    const rowShift = x & 1 ? 0 : 2;
    for (let y = 0; y < ny; y++) {
      const cell = cells[(x >> 1) * across + (y >> 1)];
      if ((cell >> (rowShift + (y & 1 ? 0 : 1))) & 1) a[from + x * stride + y] += weight;
    }
  }
}

/** Bit planes of one quadrant of the transform. */
function decodeQuadrant(bits: Bits, quadrant: Quadrant, planes: number): boolean {
  const { nx, ny } = quadrant;
  const halfX = (nx + 1) >> 1;
  const halfY = (ny + 1) >> 1;
  const steps = log2Up(Math.max(nx, ny));
  let cells = new Uint8Array(Math.max(1, halfX * halfY));
  let next = new Uint8Array(cells.length);
  for (let plane = planes - 1; plane >= 0; plane--) {
    const form = bits.four();
    if (form === 0) {
      for (let i = 0; i < halfX * halfY; i++) cells[i] = bits.four();
    } else if (form === 15) {
      cells[0] = bits.code();
      const sizeX = sizesTo(halfX, Math.max(0, steps - 1));
      const sizeY = sizesTo(halfY, Math.max(0, steps - 1));
      for (let k = 1; k < steps; k++) {
        const wide = sizeX[k];
        const high = sizeY[k];
        const before = sizeY[k - 1];
        for (let x = 0; x < wide; x++) {
          for (let y = 0; y < high; y++) {
            const cell = cells[(x >> 1) * before + (y >> 1)];
            next[x * high + y] = (cell >> ((x & 1 ? 0 : 2) + (y & 1 ? 0 : 1))) & 1;
          }
        }
        for (let i = wide * high - 1; i >= 0; i--) if (next[i] !== 0) next[i] = bits.code();
        [cells, next] = [next, cells];
      }
    } else return false;
    if (bits.over) return false;
    insertBits(cells, quadrant, plane);
  }
  return true;
}

/** Bring the second half of a row or column between the elements of the first. */
function interleave(a: Float64Array, from: number, count: number, stride: number, scratch: Float64Array): void {
  const half = (count + 1) >> 1;
  for (let i = half; i < count; i++) scratch[i - half] = a[from + i * stride];
  for (let i = half - 1; i > 0; i--) a[from + 2 * i * stride] = a[from + i * stride];
  for (let i = 1; i < count; i += 2) a[from + i * stride] = scratch[i >> 1];
}

const clamp = (value: number, least: number, most: number): number => Math.max(Math.min(value, most), least);

/** Interpolate coefficients within what their rounding leaves open. */
function smoothen(a: Float64Array, nx: number, ny: number, stride: number, scale: number): void {
  const most = Math.floor(scale / 2);
  if (most <= 0) return;
  const adjust = (at: number, diff: number, low: number, high: number, steps: number): void => {
    if (low >= high) return;
    a[at] += clamp(Math.trunc((clamp(diff, low, high) - a[at] * steps) / steps), -most, most);
  };
  const slope = (at: number, step: number, target: number): void => {
    const before = a[at - step];
    const here = a[at];
    const after = a[at + step];
    const up = after - here;
    const down = here - before;
    adjust(target, after - before, 4 * Math.min(Math.max(up, down), 0), 4 * Math.max(Math.min(up, down), 0), 8);
  };
  for (let x = 2; x < nx - 2; x += 2) {
    for (let y = 0; y < ny; y += 2) slope(x * stride + y, 2 * stride, (x + 1) * stride + y);
  }
  for (let x = 0; x < nx; x += 2) {
    for (let y = 2; y < ny - 2; y += 2) slope(x * stride + y, 2, x * stride + y + 1);
  }
  for (let x = 2; x < nx - 2; x += 2) {
    for (let y = 2; y < ny - 2; y += 2) {
      const at = x * stride + y;
      const below = at + stride;
      const mm = a[at - 2 * stride - 2];
      const pm = a[at + 2 * stride - 2];
      const mp = a[at - 2 * stride + 2];
      const pp = a[at + 2 * stride + 2];
      const here = a[at];
      const hx = 2 * a[below];
      const hy = 2 * a[at + 1];
      const high = 16 * Math.min(
        Math.max(pp - here, 0) - hx - hy,
        Math.max(here - pm, 0) + hx - hy,
        Math.max(here - mp, 0) - hx + hy,
        Math.max(mm - here, 0) + hx + hy,
      );
      const low = 16 * Math.max(
        Math.min(pp - here, 0) - hx - hy,
        Math.min(here - pm, 0) + hx - hy,
        Math.min(here - mp, 0) - hx + hy,
        Math.min(mm - here, 0) + hx + hy,
      );
      adjust(below + 1, pp + mm - mp - pm, low, high, 64);
    }
  }
}

/** Bit `unit` of a number in two's complement: 0 or `unit`. */
const bitOf = (value: number, unit: number): number => {
  const quotient = Math.floor(value / unit);
  return quotient - 2 * Math.floor(quotient / 2) === 0 ? 0 : unit;
};

/** Inverse H-transform. */
function invert(a: Float64Array, nx: number, ny: number, smooth: boolean, scale: number): void {
  const steps = log2Up(Math.max(nx, ny));
  if (steps === 0) return;
  let bit0 = 2 ** (steps - 1);
  let bit1 = 2 * bit0;
  const bit2 = 4 * bit0;
  let half0 = Math.floor(bit0 / 2);
  let half1 = bit1 / 2;
  // rounding to a multiple: up from the middle for positive numbers, down for negative ones
  const toMultiple = (value: number, unit: number, half: number, below: number): number =>
    Math.floor((value + (value >= 0 ? half : below)) / unit) * unit;
  a[0] = toMultiple(a[0], bit2, bit2 / 2, bit2 / 2 - 1);
  const scratch = new Float64Array((Math.max(nx, ny) + 1) >> 1);
  const sizeX = sizesTo(nx, steps);
  const sizeY = sizesTo(ny, steps);
  let below0 = half0 - 1;
  let below1 = half1 - 1;
  for (let k = 1; k <= steps; k++) {
    const wide = sizeX[k];
    const high = sizeY[k];
    const last = k === steps;
    if (last) below0 = 0;
    const divide = last ? 4 : 2;
    for (let x = 0; x < wide; x++) interleave(a, ny * x, high, 1, scratch);
    for (let y = 0; y < high; y++) interleave(a, y, wide, ny, scratch);
    if (smooth) smoothen(a, wide, high, ny, scale);
    // two values at an edge of odd length, from their sum and difference
    const pair = (at: number, step: number): void => {
      const difference = toMultiple(a[at + step], bit1, half1, below1);
      const low = bitOf(difference, bit1);
      const sum = a[at] + (a[at] >= 0 ? -low : low);
      a[at + step] = Math.floor((sum + difference) / divide);
      a[at] = Math.floor((sum - difference) / divide);
    };
    const evenX = wide - wide % 2;
    const evenY = high - high % 2;
    for (let x = 0; x < evenX; x += 2) {
      for (let y = 0; y < evenY; y += 2) {
        const at = ny * x + y;
        const under = at + ny;
        let h0 = a[at];
        let hx = toMultiple(a[under], bit1, half1, below1);
        let hy = toMultiple(a[at + 1], bit1, half1, below1);
        const hc = toMultiple(a[under + 1], bit0, half0, below0);
        const low0 = bitOf(hc, bit0);
        hx += hx >= 0 ? -low0 : low0;
        hy += hy >= 0 ? -low0 : low0;
        const odd = (bitOf(hc, bit1) + bitOf(hx, bit1) + bitOf(hy, bit1)) / bit1;
        const low1 = odd % 2 === 0 ? 0 : bit1;
        h0 += h0 >= 0 ? low0 - low1 : low0 === 0 ? low1 : low0 - low1;
        a[under + 1] = Math.floor((h0 + hx + hy + hc) / divide);
        a[under] = Math.floor((h0 + hx - hy - hc) / divide);
        a[at + 1] = Math.floor((h0 - hx + hy - hc) / divide);
        a[at] = Math.floor((h0 - hx - hy + hc) / divide);
      }
      if (evenY < high) pair(ny * x + evenY, ny);
    }
    if (evenX < wide) {
      for (let y = 0; y < evenY; y += 2) pair(ny * evenX + y, 1);
      if (evenY < high) a[ny * evenX + evenY] = Math.floor(a[ny * evenX + evenY] / divide);
    }
    bit1 = bit0;
    bit0 /= 2;
    half1 = half0;
    half0 = Math.floor(half0 / 2);
    below1 = below0;
    below0 = half0 - 1;
  }
}

/**
 * Decode a tile.
 *
 * @param bytes the coded tile
 * @param count integers of the tile
 * @param smooth whether its header asks for smoothing of what lossy coding left
 * @param out receives the integers
 * @returns false when the bytes make no sense
 */
export function decodeHcompress(bytes: Uint8Array, count: number, smooth: boolean, out: Int32Array): boolean {
  if (bytes.length < 25 || bytes[0] !== 0xdd || bytes[1] !== 0x99) return false;
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
  const nx = view.getInt32(2);
  const ny = view.getInt32(6);
  const scale = view.getInt32(10);
  if (!(nx > 0 && ny > 0 && nx * ny === count)) return false;
  const total = Number(view.getBigInt64(14));
  const planes = [bytes[22], bytes[23], bytes[24]];
  const bits = new Bits(bytes, 25);
  const a = new Float64Array(count);
  const topX = (nx + 1) >> 1;
  const topY = (ny + 1) >> 1;
  const restX = nx >> 1;
  const restY = ny >> 1;
  const quadrant = (from: number, wide: number, high: number) => ({ a, from, stride: ny, nx: wide, ny: high });
  const whole = decodeQuadrant(bits, quadrant(0, topX, topY), planes[0]) &&
    decodeQuadrant(bits, quadrant(topY, topX, restY), planes[1]) &&
    decodeQuadrant(bits, quadrant(ny * topX, restX, topY), planes[1]) &&
    decodeQuadrant(bits, quadrant(ny * topX + topY, restX, restY), planes[2]);
  if (!whole || bits.four() !== 0) return false;
  bits.align();
  for (let i = 0; i < count; i++) if (a[i] !== 0 && bits.one() === 1) a[i] = -a[i];
  if (bits.over) return false;
  a[0] = total;
  if (scale > 1) { for (let i = 0; i < count; i++) a[i] *= scale; }
  invert(a, nx, ny, smooth, scale);
  out.set(a);
  return true;
}
