/** Where the pixels of a tile lie in a source, and which part of the source they need. */
import type { Region } from "../core/geometry.ts";
import { applyTransform, type Transform } from "../core/transform.ts";
import { kernelKind, scratchFloats, withKernel } from "./machine.ts";

/** Sub-pixel positions a pixel; a place is rounded to 1/1024 pixel. */
export const phases: number = 1024;

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

/** Places as the integers they are. */
export const asIntegers = (bits: Float32Array): Int32Array => new Int32Array(bits.buffer, bits.byteOffset, bits.length);

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
    placesTwin(plan, asIntegers(places.x), asIntegers(places.y));
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
