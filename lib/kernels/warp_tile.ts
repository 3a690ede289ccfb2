/** Resampling of one tile at places found before, by a separable window of up to 6 × 6 samples. */
import { kernelKind, withKernel } from "./machine.ts";
import { asIntegers, noPlace, phases, type TilePlaces } from "./tile_places.ts";

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
  const x = asIntegers(places.x);
  const y = asIntegers(places.y);
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
