/** Resampling of one tile: for each output pixel the place in the source, then a separable window of 6 × 6 samples. */
import type { Region } from "../core/geometry.ts";
import { applyTransform, type Transform } from "../core/transform.ts";
import { kernelKind, scratchFloats, withKernel } from "./machine.ts";

/** Interpolation of {@linkcode warpAt}. */
export type WarpKernel = "lanczos3" | "cubic" | "bilinear" | "nearest";

/** Taps along one axis and positions of the first one before the floor of the coordinate. */
const taps: Readonly<Record<WarpKernel, { readonly size: number; readonly before: number }>> = Object.freeze({
  lanczos3: { size: 6, before: 2 },
  cubic: { size: 4, before: 1 },
  bilinear: { size: 2, before: 0 },
  nearest: { size: 1, before: 0 },
});

/** Pixels of the source that a kernel reaches beyond the coordinate. */
export const warpReach = (kernel: WarpKernel): number => taps[kernel].size >> 1;

/** Sub-pixel positions a pixel for which weights are kept; the position is rounded to 1/1024 pixel. */
const phases = 1024;

/** Weights sum to 1 for every phase, so that a constant stays constant (raw Lanczos-3 ripples by 0.6 %). */
function weightTable(kernel: WarpKernel): Float64Array {
  const { size, before } = taps[kernel];
  const table = new Float64Array((phases + 1) * size);
  const sinc = (x: number) => x === 0 ? 1 : Math.sin(Math.PI * x) / (Math.PI * x);
  const value = (x: number): number => {
    const a = Math.abs(x);
    if (kernel === "lanczos3") return a < 3 ? sinc(x) * sinc(x / 3) : 0;
    if (kernel === "cubic") return a < 1 ? (1.5 * a - 2.5) * a * a + 1 : a < 2 ? ((-0.5 * a + 2.5) * a - 4) * a + 2 : 0;
    return Math.max(0, 1 - a);
  };
  for (let phase = 0; phase <= phases; phase++) {
    const t = phase / phases;
    let sum = 0;
    for (let k = 0; k < size; k++) {
      const whole = (t === 0 || t === 1) && k - before !== t;
      const w = whole ? 0 : value(k - before - t);
      table[phase * size + k] = w;
      sum += w;
    }
    for (let k = 0; k < size; k++) table[phase * size + k] /= sum;
  }
  return table;
}

const tables = new Map<WarpKernel, Float64Array>();
/** Weights of a kernel's taps for each of 1025 positions between two samples. */
export function warpTable(kernel: WarpKernel): Float64Array {
  const known = tables.get(kernel) ?? weightTable(kernel);
  tables.set(kernel, known);
  return known;
}

/**
 * Every 16th column a curved map is evaluated exactly, between them along a straight line: the error is below 0.001
 * pixel.
 */
const nodeStep = 16;

/**
 * Source coordinates of one row of canvas pixels.
 *
 * @param inverse reference → source
 * @param column first canvas column; nodes lie on multiples of 16 of the canvas, so that tiles agree
 * @param originX reference column of canvas column 0
 * @param y reference row
 * @param scale reference pixels a canvas pixel
 */
export function sourceRow(
  inverse: Transform,
  column: number,
  originX: number,
  y: number,
  scale: number,
  xs: Float64Array,
  ys: Float64Array,
  count: number,
): void {
  if (inverse.kind === "similarity" || inverse.kind === "affine") {
    const [a, b, c, d, e, f] = inverse.matrix;
    for (let i = 0; i < count; i++) {
      const x = originX + (column + i) * scale;
      xs[i] = a * x + b * y + c;
      ys[i] = d * x + e * y + f;
    }
    return;
  }
  for (let node = Math.floor(column / nodeStep) * nodeStep; node < column + count; node += nodeStep) {
    const p = applyTransform(inverse, originX + node * scale, y);
    const q = applyTransform(inverse, originX + (node + nodeStep) * scale, y);
    for (let k = Math.max(node, column); k < Math.min(node + nodeStep, column + count); k++) {
      const t = (k - node) / nodeStep;
      xs[k - column] = p.x + t * (q.x - p.x);
      ys[k - column] = p.y + t * (q.y - p.y);
    }
  }
}

/** Where the pixels of a tile lie in a source. */
export interface PlacePlan {
  /** Where the source lies on the frame; its width and height are those of the samples. */
  readonly from: Region;
  /** Columns of the whole frame. */
  readonly frameWidth: number;
  /** Rows of the whole frame. */
  readonly frameHeight: number;
  /** Reference → frame. */
  readonly inverse: Transform;
  /** Canvas pixels to make. */
  readonly to: Region;
  /** Reference coordinates of canvas pixel (0, 0). */
  readonly originX: number;
  /** See originX. */
  readonly originY: number;
  /** Reference pixels a canvas pixel. */
  readonly scale: number;
}

/**
 * Places of a tile's pixels in a source, found once for all planes of a frame; integers, kept as the bits of floats.
 */
export interface TilePlaces {
  /** Column in 1/1024 pixel, counted from the source's first; {@linkcode noPlace} outside the frame. */
  readonly x: Float32Array;
  /** Row likewise. */
  readonly y: Float32Array;
}

/** Stands for a place outside the frame's pixel centres. */
export const noPlace: number = -(2 ** 31);

const integers = (bits: Float32Array): Int32Array => new Int32Array(bits.buffer, bits.byteOffset, bits.length);

/**
 * Places of the pixels of a tile.
 *
 * @param x receives a column a pixel, `y` a row: memory of one's own, such as {@linkcode borrowPlane} gives, is used
 * in place
 */
export function tilePlaces(plan: PlacePlan, x: Float32Array, y: Float32Array): TilePlaces {
  const { from, to, frameWidth, frameHeight, inverse, originX, originY, scale } = plan;
  const { width, height } = to;
  const count = width * height;
  const places = { x: x.subarray(0, count), y: y.subarray(0, count) };
  const right = frameWidth - 1;
  const bottom = frameHeight - 1;
  const left = from.x * phases;
  const top = from.y * phases;
  if (kernelKind() === "twin") {
    placesTwin(plan, integers(places.x), integers(places.y));
    return places;
  }
  const arrays = { o: places.x, p: places.y };
  const lineBytes = 16 * (width + 4);
  if (inverse.kind === "similarity" || inverse.kind === "affine") {
    const [a, b, c, d, e, f] = inverse.matrix;
    withKernel("placesAffine", arrays, lineBytes, (run, at) => {
      const tile = [width, height, to.x, to.y, originX, originY, scale];
      run(at.o, at.p, at.scratch, ...tile, a, b, c, d, e, f, right, bottom, left, top);
    });
    return places;
  }
  const start = Math.floor(to.x / nodeStep) * nodeStep;
  const count16 = Math.ceil((to.x + width - start) / nodeStep) + 1;
  withKernel("placesBetween", arrays, lineBytes + 16 * count16, (run, at) => {
    const nodes = new Float64Array(scratchFloats().buffer, at.scratch, 2 * count16);
    for (let row = 0; row < height; row++) {
      const v = originY + (to.y + row) * scale;
      const offset = 4 * row * width;
      for (let k = 0; k < count16; k++) {
        const p = applyTransform(inverse, originX + (start + k * nodeStep) * scale, v);
        nodes[2 * k] = p.x;
        nodes[2 * k + 1] = p.y;
      }
      const scratch = at.scratch + 16 * count16;
      run(at.o + offset, at.p + offset, at.scratch, scratch, width, to.x - start, right, bottom, left, top);
    }
  });
  return places;
}

/** What the kernels placesAffine and placesBetween compute, in the same operations. */
function placesTwin(plan: PlacePlan, px: Int32Array, py: Int32Array): void {
  const { from, to, frameWidth, frameHeight, inverse, originX, originY, scale } = plan;
  const xs = new Float64Array(to.width);
  const ys = new Float64Array(to.width);
  const right = frameWidth - 1;
  const bottom = frameHeight - 1;
  const tolerance = 1e-6;
  const left = from.x * phases;
  const top = from.y * phases;
  for (let row = 0, at = 0; row < to.height; row++) {
    sourceRow(inverse, to.x, originX, originY + (to.y + row) * scale, scale, xs, ys, to.width);
    for (let i = 0; i < to.width; i++, at++) {
      let x = xs[i];
      let y = ys[i];
      if (!(x >= -tolerance && y >= -tolerance && x <= right + tolerance && y <= bottom + tolerance)) {
        px[at] = py[at] = noPlace;
        continue;
      }
      x = x < 0 ? 0 : x > right ? right : x;
      y = y < 0 ? 0 : y > bottom ? bottom : y;
      // Rounded to the phases of the table first, so that the floor belongs to the rounded position.
      px[at] = Math.floor(x * phases + 0.5) - left;
      py[at] = Math.floor(y * phases + 0.5) - top;
    }
  }
}

/** Lanczos weights as float32, eight a phase of which the last two are 0. */
let lanczosTable: Float32Array | null = null;
function eightWeights(): Float32Array {
  if (lanczosTable !== null) return lanczosTable;
  const table = warpTable("lanczos3");
  const eight = new Float32Array(phases * 8);
  for (let phase = 0; phase < phases; phase++) {
    for (let k = 0; k < 6; k++) eight[phase * 8 + k] = table[phase * 6 + k];
  }
  lanczosTable = eight;
  return eight;
}

/**
 * Resample one plane at places found before, row by row of a tile. Pixels without a place, or nearest to a sample
 * without data, become NaN. At the source's edge the outermost sample is repeated. Samples without data among the taps
 * are left out and the others weighted up, while they carry at least half of the weight.
 *
 * @param source width × height samples, row by row
 * @param columns pixels a row of the tile
 * @param slack how far a result may fall below the lowest of the four nearest samples, unit of the samples
 * @param out receives a row of the tile every `pitch` samples, from its first sample on
 */
export function warpAt(
  source: Float32Array,
  width: number,
  height: number,
  places: TilePlaces,
  columns: number,
  kernel: WarpKernel,
  slack: number,
  out: Float32Array,
  pitch: number = columns,
): void {
  const rows = places.x.length / columns;
  if (kernel === "lanczos3" && kernelKind() === "wasm") {
    const arrays = { a: source, b: places.x, c: places.y, o: out };
    withKernel("warp", arrays, eightWeights(), (run, at) => {
      run(at.a, width, height, at.b, at.c, at.o, columns, rows, 4 * pitch, at.scratch, slack);
    });
    return;
  }
  const x = integers(places.x);
  const y = integers(places.y);
  const make = kernel === "lanczos3" ? lanczosTwin : otherKernel;
  for (let row = 0; row < rows; row++) {
    const from = row * columns;
    const to = from + columns;
    const part = { x: x.subarray(from, to), y: y.subarray(from, to) };
    make(source, width, height, part, kernel, slack, out.subarray(row * pitch, row * pitch + columns));
  }
}

interface RowPlaces {
  readonly x: Int32Array;
  readonly y: Int32Array;
}

/** The lower of two samples, the first if they do not differ. */
const lower = (a: number, b: number): number => b < a ? b : a;

/** What the kernel warp computes, in the same float32 operations. */
function lanczosTwin(
  source: Float32Array,
  w: number,
  h: number,
  places: RowPlaces,
  _kernel: WarpKernel,
  slack: number,
  out: Float32Array,
): void {
  const table = eightWeights();
  const lanes = new Float32Array(8);
  const f = Math.fround;
  const drop = f(slack);
  for (let at = 0; at < places.x.length; at++) {
    const px = places.x[at];
    const py = places.y[at];
    if (px === noPlace) {
      out[at] = NaN;
      continue;
    }
    const ix = px >> 10;
    const iy = py >> 10;
    const u = (px & 1023) * 8;
    const v = (py & 1023) * 8;
    const x0 = ix - 2;
    const y0 = iy - 2;
    let r = NaN;
    if (x0 >= 0 && y0 >= 0 && x0 + 8 <= w && y0 + 6 <= h) {
      let p = y0 * w + x0;
      for (let k = 0; k < 8; k++) lanes[k] = source[p + k] * table[v];
      for (let j = 1; j < 6; j++) {
        p += w;
        const weight = table[v + j];
        for (let k = 0; k < 8; k++) lanes[k] = lanes[k] + f(source[p + k] * weight);
      }
      for (let k = 0; k < 4; k++) lanes[k] = f(lanes[k] * table[u + k]) + f(lanes[k + 4] * table[u + k + 4]);
      r = f(f(lanes[0] + lanes[2]) + f(lanes[1] + lanes[3]));
      const q = iy * w + ix;
      const low = f(lower(lower(source[q], source[q + w]), lower(source[q + 1], source[q + w + 1])) - drop);
      if (r < low) r = low;
    }
    out[at] = r !== r ? careful(source, w, h, x0, y0, 6, 2, table, u, v) : r;
  }
}

/** Cubic, bilinear and nearest, in float64. */
function otherKernel(
  source: Float32Array,
  w: number,
  h: number,
  places: RowPlaces,
  kernel: WarpKernel,
  slack: number,
  out: Float32Array,
): void {
  const { size, before } = taps[kernel];
  const table = warpTable(kernel);
  const held = slack < Infinity && size > 2;
  for (let at = 0; at < places.x.length; at++) {
    const px = places.x[at];
    const py = places.y[at];
    if (px === noPlace) {
      out[at] = NaN;
      continue;
    }
    const ix = px >> 10;
    const iy = py >> 10;
    const fx = px & 1023;
    const fy = py & 1023;
    if (size === 1) {
      out[at] = source[(fy >= phases / 2 ? iy + 1 : iy) * w + (fx >= phases / 2 ? ix + 1 : ix)];
      continue;
    }
    const u = fx * size;
    const v = fy * size;
    const x0 = ix - before;
    const y0 = iy - before;
    let sum = 0;
    if (x0 >= 0 && y0 >= 0 && x0 + size <= w && y0 + size <= h) {
      for (let j = 0, p = y0 * w + x0; j < size; j++, p += w) {
        let line = 0;
        for (let k = 0; k < size; k++) line += table[u + k] * source[p + k];
        sum += table[v + j] * line;
      }
    } else sum = NaN;
    if (sum !== sum) {
      sum = careful(source, w, h, x0, y0, size, before, table, u, v);
    } else if (held) {
      // Cubic windows have negative lobes, too, which dig a dark ring round a bright edge.
      const p = iy * w + ix;
      const low = Math.min(source[p], source[p + 1], source[p + w], source[p + w + 1]) - slack;
      if (sum < low) sum = low;
    }
    out[at] = sum;
  }
}

/** The sum with care: taps outside the source repeat its edge, taps without data are left out. */
function careful(
  source: Float32Array,
  w: number,
  h: number,
  x0: number,
  y0: number,
  size: number,
  before: number,
  table: Float64Array | Float32Array,
  u: number,
  v: number,
): number {
  const clampX = (x: number) => x < 0 ? 0 : x >= w ? w - 1 : x;
  const clampY = (y: number) => y < 0 ? 0 : y >= h ? h - 1 : y;
  // The nearest sample decides whether there is data at all.
  const nearX = clampX(x0 + before + (table[u + before] >= table[u + before + 1] ? 0 : 1));
  const nearY = clampY(y0 + before + (table[v + before] >= table[v + before + 1] ? 0 : 1));
  const near = source[nearY * w + nearX];
  if (near !== near) return NaN;
  let sum = 0;
  let weight = 0;
  for (let j = 0; j < size; j++) {
    for (let k = 0; k < size; k++) {
      const value = source[clampY(y0 + j) * w + clampX(x0 + k)];
      const share = table[u + k] * table[v + j];
      if (value === value) {
        sum += share * value;
        weight += share;
      }
    }
  }
  return weight >= 0.5 ? sum / weight : NaN;
}

/**
 * The part of a frame that a tile of the canvas needs, with a margin; null when the tile lies outside the frame.
 *
 * @param margin pixels around the places of the tile's pixels
 */
export function sourceRegion(plan: Omit<PlacePlan, "from">, margin: number): Region | null {
  const { to, frameWidth, frameHeight, inverse, originX, originY, scale } = plan;
  let x0 = Infinity;
  let y0 = Infinity;
  let x1 = -Infinity;
  let y1 = -Infinity;
  const along = (count: number) => Math.max(1, Math.ceil((count - 1) / 64));
  const columns = along(to.width);
  const rows = along(to.height);
  // The outline, a point every 64 pixels: the maps are smooth, and two pixels of margin cover what lies between.
  const visit = (i: number, j: number) => {
    const p = applyTransform(inverse, originX + (to.x + i) * scale, originY + (to.y + j) * scale);
    x0 = Math.min(x0, p.x);
    x1 = Math.max(x1, p.x);
    y0 = Math.min(y0, p.y);
    y1 = Math.max(y1, p.y);
  };
  for (let k = 0; k <= columns; k++) {
    visit((to.width - 1) * k / columns, 0);
    visit((to.width - 1) * k / columns, to.height - 1);
  }
  for (let k = 0; k <= rows; k++) {
    visit(0, (to.height - 1) * k / rows);
    visit(to.width - 1, (to.height - 1) * k / rows);
  }
  const reach = margin + (inverse.kind === "similarity" || inverse.kind === "affine" ? 0 : 2);
  const left = Math.max(0, Math.floor(x0) - reach);
  const top = Math.max(0, Math.floor(y0) - reach);
  const right = Math.min(frameWidth - 1, Math.ceil(x1) + reach);
  const bottom = Math.min(frameHeight - 1, Math.ceil(y1) + reach);
  if (!(right >= left && bottom >= top)) return null;
  return { x: left, y: top, width: right - left + 1, height: bottom - top + 1 };
}
