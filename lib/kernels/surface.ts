/** Smooth surfaces evaluated at every pixel and laid over a plane. */
import { borrowPlane } from "../core/memory.ts";
import { type Band, openBand, overBands } from "./bands.ts";
import { scratchFloats, withKernel } from "./machine.ts";
import type { PoolTask } from "../parallel/pool.ts";
import { operationCode, piecesRowTwin, polynomialRowTwin } from "./surface.twin.ts";

/** What is done with the surface: returned itself, or combined with the samples below. */
export type SurfaceOperation = "none" | "add" | "subtract" | "multiply" | "divide";

/**
 * Polynomial of total degree up to 4 in u = (x − centreX) / radius, v = (y − centreY) / radius; terms in the order of
 * {@linkcode PolynomialTransform}: 1, u, v, u², uv, v², u³ …
 */
export interface PolynomialShape {
  /** Coefficients: 1, 3, 6, 10 or 15. */
  readonly terms: readonly number[];
  /** Centre and radius that normalise the coordinates. */
  readonly centreX: number;
  /** See centreX. */
  readonly centreY: number;
  /** See centreX. */
  readonly radius: number;
}

/**
 * Values at nodes, between them cubic convolution (Keys 1981, a = −1/2, edges continued by his boundary rule): third
 * order in the spacing.
 */
export interface GridShape {
  /** columns × rows values, at least 2 × 2. */
  readonly nodes: Float32Array | Float64Array;
  /** Nodes along x. */
  readonly columns: number;
  /** Nodes along y. */
  readonly rows: number;
  /** Pixel of node (0, 0). */
  readonly originX: number;
  /** See originX. */
  readonly originY: number;
  /** Pixels between nodes. */
  readonly spacing: number;
}

interface SurfaceParameters {
  readonly width: number;
  readonly shape: PolynomialShape | GridShape;
  readonly operation: number;
}

const f = Math.fround;

/** Coefficients in u of a polynomial's row. */
function rowCoefficients({ terms, centreY, radius }: PolynomialShape, y: number): number[] {
  const v = (y - centreY) / radius;
  const row = [0, 0, 0, 0, 0];
  for (let order = 0, at = 0; at < terms.length; order++) {
    for (let j = 0, power = 1; j <= order; j++, at++, power *= v) row[order - j] += terms[at] * power;
  }
  return row.map(f);
}

/** Values of node k of a row of values, continued by one node beyond the ends. */
const nodeAt = (row: Float64Array, k: number, n: number): number =>
  n === 2
    ? row[0] + k * (row[1] - row[0])
    : k < 0
    ? 3 * row[0] - 3 * row[1] + row[2]
    : k >= n
    ? 3 * row[n - 1] - 3 * row[n - 2] + row[n - 3]
    : row[k];

/** Weights of the nodes k − 1 … k + 2 at t between k and k + 1. */
function cubicWeights(t: number): readonly [number, number, number, number] {
  return [
    ((-0.5 * t + 1) * t - 0.5) * t,
    (1.5 * t - 2.5) * t * t + 1,
    ((-1.5 * t + 2) * t + 0.5) * t,
    (0.5 * t - 0.5) * t * t,
  ];
}

/** The pieces of one row. */
function rowPieces(shape: GridShape, y: number, width: number, pieces: Float32Array, ends: Int32Array): void {
  const { nodes, columns, rows, originX, originY, spacing } = shape;
  const v = (y - originY) / spacing;
  const j = Math.min(rows - 2, Math.max(0, Math.floor(v)));
  const weights = cubicWeights(v - j);
  const row = new Float64Array(columns);
  const column = new Float64Array(rows);
  for (let i = 0; i < columns; i++) {
    for (let k = 0; k < rows; k++) column[k] = nodes[k * columns + i];
    for (let k = 0; k < 4; k++) row[i] += weights[k] * nodeAt(column, j - 1 + k, rows);
  }
  let x = 0;
  for (let k = 0; k < ends.length; k++) {
    const p = nodeAt(row, k - 1, columns);
    const q = row[k];
    const r = row[k + 1];
    const s = nodeAt(row, k + 2, columns);
    const end = k === ends.length - 1 ? width : Math.ceil(originX + (k + 1) * spacing);
    pieces.set([q, 0.5 * (r - p), p - 2.5 * q + 2 * r - 0.5 * s, 1.5 * (q - r) + 0.5 * (s - p)], 5 * k);
    pieces[5 * k + 4] = (x - originX) / spacing - k;
    ends[k] = Math.min(width, Math.max(x, end));
    x = ends[k];
  }
}

/** Rows from … to of a band; runs in a worker. */
export function surfaceBand(band: Band<SurfaceParameters>): void {
  const { read, write: [out], wasm } = openBand(band);
  const { from, to } = band;
  const { width, shape, operation } = band.parameters;
  const source = read[0] as Float32Array | null;
  const part = { a: source?.subarray(from * width, to * width), o: out.subarray(from * width, to * width) };
  if ("terms" in shape) {
    const { terms, centreX, centreY, radius } = shape;
    const du = f(1 / radius);
    const u0 = f(-centreX / radius);
    if (!wasm) {
      for (let y = from; y < to; y++) {
        polynomialRowTwin(source, out, y * width, width, u0, du, rowCoefficients(shape, y), operation);
      }
      return;
    }
    const order = Math.round((Math.sqrt(8 * terms.length + 1) - 3) / 2);
    const bits = new Float32Array(2 * terms.length);
    new Float64Array(bits.buffer).set(terms);
    withKernel("polynomial", part, bits, (kernel, at) => {
      kernel(at.a, at.o, width, from, to, u0, du, at.scratch, order, centreY, radius, operation);
    });
    return;
  }
  const count = shape.columns - 1;
  const pieces = new Float32Array(5 * count);
  const ends = new Int32Array(count);
  const dt = f(1 / shape.spacing);
  if (!wasm) {
    for (let y = from; y < to; y++) {
      rowPieces(shape, y, width, pieces, ends);
      piecesRowTwin(source, out, y * width, pieces, ends, dt, operation);
    }
    return;
  }
  withKernel("piecesRow", part, 24 * count, (kernel, at) => {
    const scratch = scratchFloats();
    const start = at.scratch / 4;
    const places = new Int32Array(scratch.buffer);
    for (let y = from; y < to; y++) {
      rowPieces(shape, y, width, pieces, ends);
      scratch.set(pieces, start);
      places.set(ends, start + 5 * count);
      const offset = 4 * (y - from) * width;
      kernel(at.a + offset, at.o + offset, at.scratch, at.scratch + 20 * count, count, dt, operation);
    }
  });
}
const task: PoolTask<Band<SurfaceParameters>, void> = {
  module: import.meta.url,
  name: "surfaceBand",
  run: surfaceBand,
};

/**
 * Evaluate a surface at every pixel and combine it with the samples of a plane, in float32.
 *
 * @param source width × height samples; null for the surface alone, with operation "none"
 * @param out receives the result; a fresh shared plane if left out
 */
export function applySurface(
  source: Float32Array | null,
  width: number,
  height: number,
  shape: PolynomialShape | GridShape,
  operation: SurfaceOperation,
  out: Float32Array = borrowPlane(width * height),
): Float32Array {
  if ((source === null) !== (operation === "none")) {
    throw new TypeError(
      `applySurface: operation must be "none" without samples and another one with them, but got "${operation}"`,
    );
  }
  overBands(task, height, width, [source], [out], { width, shape, operation: operationCode[operation] });
  return out;
}
