/** How one frame's level and contrast are brought to those of the reference, from place to place. */

/**
 * Smooth factor and offset of one frame against the reference: output = sample × scale + offset.
 *
 * Node (i, j) lies at reference pixel ((tilePixels − 1) / 2 + i · tilePixels, (tilePixels − 1) / 2 + j · tilePixels),
 * the centre of a square tile of reference pixels. Between nodes the surface is the cubic convolution of Keys (1981, a
 * = −1/2), which passes through the nodes and is exact for planes and quadratics; outside the outermost nodes it goes
 * on straight.
 */
export interface NormalisationSurface {
  /** Nodes along x. */
  readonly gridWidth: number;
  /** Nodes along y. */
  readonly gridHeight: number;
  /** Reference pixels between nodes. */
  readonly tilePixels: number;
  /** Factor at the nodes, row by row, one array a plane. */
  readonly scale: readonly Float32Array[];
  /** Offset at the nodes in the reference's unit, row by row, one array a plane. */
  readonly offset: readonly Float32Array[];
}

/** A rectangular raster of points on the reference grid: first point, distance of points, and their number. */
export interface ReferenceRaster {
  /** Reference column of the first point. */
  readonly x: number;
  /** Reference row of the first point. */
  readonly y: number;
  /** Reference pixels between points. */
  readonly step: number;
  /** Points along x. */
  readonly width: number;
  /** Points along y. */
  readonly height: number;
}

interface Axis {
  readonly base: Int32Array;
  readonly weights: Float64Array;
  /** Distance behind the second of the four nodes, in tiles; below 0 or above 1 outside the outermost nodes. */
  readonly phase: Float64Array;
}

/**
 * First of four neighbouring nodes (−1 … count − 2 with one ghost node each side) and their weights, for each point.
 */
function keysAxis(count: number, tile: number, start: number, step: number, points: number): Axis {
  const base = new Int32Array(points);
  const weights = new Float64Array(points * 4);
  const phase = new Float64Array(points);
  for (let i = 0; i < points; i++) {
    const at = (start + i * step - (tile - 1) / 2) / tile;
    if (count === 1) {
      weights[i * 4 + 1] = 1;
      continue;
    }
    const cell = Math.min(count - 2, Math.max(0, Math.floor(at)));
    const t = at - cell;
    base[i] = cell;
    phase[i] = t;
    if (t < 0 || t > 1) {
      weights[i * 4 + 1] = 1 - t;
      weights[i * 4 + 2] = t;
    } else {
      weights[i * 4] = ((-0.5 * t + 1) * t - 0.5) * t;
      weights[i * 4 + 1] = (1.5 * t - 2.5) * t * t + 1;
      weights[i * 4 + 2] = ((-1.5 * t + 2) * t + 0.5) * t;
      weights[i * 4 + 3] = (0.5 * t - 0.5) * t * t;
    }
  }
  return { base, weights, phase };
}

/** Nodes with one ghost node on each side, which goes on straight (the last step repeated). */
function padded(nodes: Float32Array, width: number, height: number): Float64Array {
  const w = width + 2;
  const out = new Float64Array(w * (height + 2));
  const ghost = (near: number, next: number) => 2 * near - next;
  for (let y = 0; y < height; y++) {
    const row = (y + 1) * w;
    for (let x = 0; x < width; x++) out[row + x + 1] = nodes[y * width + x];
    out[row] = width > 1 ? ghost(out[row + 1], out[row + 2]) : out[row + 1];
    out[row + w - 1] = width > 1 ? ghost(out[row + w - 2], out[row + w - 3]) : out[row + 1];
  }
  const last = (height + 1) * w;
  for (let x = 0; x < w; x++) {
    out[x] = height > 1 ? ghost(out[w + x], out[2 * w + x]) : out[w + x];
    out[last + x] = height > 1 ? ghost(out[last - w + x], out[last - 2 * w + x]) : out[w + x];
  }
  return out;
}

/**
 * Scale and offset of a surface at a raster of points.
 *
 * @param surface the surface
 * @param plane which plane of the frame, from 0
 * @param raster the points, in pixels of the reference
 * @param scale receives width × height factors
 * @param offset receives width × height offsets, in the reference's unit
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { evaluateNormalisation } from "lib/core/normalisation.ts";
 *
 * const surface = {
 *   gridWidth: 2, gridHeight: 1, tilePixels: 4, scale: [Float32Array.of(1, 2)], offset: [Float32Array.of(0, 0)],
 * };
 * const scale = new Float32Array(8), offset = new Float32Array(8);
 * evaluateNormalisation(surface, 0, { x: 0, y: 0, step: 1, width: 8, height: 1 }, scale, offset);
 * assert.equal(scale[3], 1.375); // nodes lie at 1.5 and 5.5
 * ```
 */
export function evaluateNormalisation(
  surface: NormalisationSurface,
  plane: number,
  raster: ReferenceRaster,
  scale: Float32Array,
  offset: Float32Array,
): void {
  const { gridWidth, gridHeight, tilePixels } = surface;
  const { width, height } = raster;
  const across = keysAxis(gridWidth, tilePixels, raster.x, raster.step, width);
  const down = keysAxis(gridHeight, tilePixels, raster.y, raster.step, height);
  const w = gridWidth + 2;
  const line = new Float64Array(w + 2);
  for (const [nodes, out] of [[surface.scale[plane], scale], [surface.offset[plane], offset]]) {
    // mostly the factor is the same everywhere
    if (nodes.every((each) => each === nodes[0])) {
      out.fill(nodes[0], 0, width * height);
      continue;
    }
    const ghosts = padded(nodes, gridWidth, gridHeight);
    for (let y = 0; y < height; y++) {
      const first = down.base[y] * w;
      const v = y * 4;
      for (let x = 0; x < w; x++) {
        let sum = 0;
        for (let k = 0; k < 4; k++) {
          if (down.weights[v + k] !== 0) sum += down.weights[v + k] * ghosts[first + k * w + x];
        }
        line[x] = sum;
      }
      for (let x = 0; x < width;) {
        // along a row the same four nodes serve a whole tile: one cubic in the phase
        const cell = across.base[x];
        const p = line[cell];
        const q = line[cell + 1];
        const r = line[cell + 2];
        const last = line[cell + 3];
        const inside = gridWidth > 1 && across.phase[x] >= 0 && across.phase[x] <= 1;
        const one = gridWidth === 1 ? 0 : inside ? 0.5 * (r - p) : r - q;
        const two = inside ? p - 2.5 * q + 2 * r - 0.5 * last : 0;
        const three = inside ? 0.5 * (last - p) + 1.5 * (q - r) : 0;
        for (const at = y * width; x < width; x++) {
          const t = across.phase[x];
          if (across.base[x] !== cell || (t >= 0 && t <= 1) !== inside && gridWidth > 1) break;
          out[at + x] = ((three * t + two) * t + one) * t + q;
        }
      }
    }
  }
}
