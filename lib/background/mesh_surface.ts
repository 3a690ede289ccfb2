/** A surface through a grid of boxes: a value at each, smooth between them. */
import { allocatePlane } from "../core/image.ts";
import { medianInPlace } from "../stats/samples.ts";
import type { BackgroundSample, SampledField, SampleValue } from "./sample_background.ts";

/** A grid of nodes spread evenly over an image. */
export interface MeshSurface {
  /** Tag. */
  readonly kind: "mesh";
  /** Columns of the image. */
  readonly width: number;
  /** Rows of the image. */
  readonly height: number;
  /** Nodes along x. */
  readonly across: number;
  /** Nodes along y. */
  readonly down: number;
  /** Values, row by row; node k lies at (k + ½) · size / count − ½. */
  readonly nodes: Float64Array;
}

/** How the samples that were laid out form a grid; null when they do not. */
export function meshOf(
  samples: readonly BackgroundSample[],
): { readonly across: number; readonly down: number } | null {
  const laidOut = samples.filter((s) => !s.byHand);
  if (laidOut.length < 4) return null;
  const across = laidOut.findIndex((s) => s.y !== laidOut[0].y);
  return across < 2 || laidOut.length % across !== 0 ? null : { across, down: laidOut.length / across };
}

/** Iterations of the filling: enough for a hole of half the grid to settle to a thousandth. */
const relaxationIterations = 400;

/** Fill the nodes that are not known from their neighbours (Laplace's equation, by successive over-relaxation). */
function fillUnknown(u: Float64Array, known: Uint8Array, across: number, down: number): void {
  for (let iteration = 0; iteration < relaxationIterations; iteration++) {
    for (let k = 0; k < u.length; k++) {
      if (known[k]) continue;
      const x = k % across;
      const y = (k - x) / across;
      let total = 0;
      let n = 0;
      if (x > 0) total += u[k - 1], n++;
      if (x + 1 < across) total += u[k + 1], n++;
      if (y > 0) total += u[k - across], n++;
      if (y + 1 < down) total += u[k + across], n++;
      u[k] += 1.7 * (total / n - u[k]);
    }
  }
}

/**
 * A mesh through the samples of an index, the others filled from their surroundings (Laplace's equation, by successive
 * over-relaxation), and the whole freed of outliers by a median of three by three (Bertin & Arnouts 1996, A&AS 117,
 * 393).
 *
 * @param trend what is taken off before the filling and put back after it, so that a slope goes on under a hole
 */
export function fitMesh(
  { samples, width, height }: SampledField,
  index: readonly number[],
  value: SampleValue,
  trend: (x: number, y: number) => number,
): MeshSurface {
  const size = meshOf(samples);
  if (size === null || index.length < 3) {
    throw new RangeError(`fitSurface: a mesh must have at least 3 samples of a grid, but got ${index.length}`);
  }
  const { across, down } = size;
  const count = across * down;
  const u = new Float64Array(count);
  const known = new Uint8Array(count);
  const nodeX = (k: number) => (k + 0.5) * width / across - 0.5;
  const nodeY = (k: number) => (k + 0.5) * height / down - 0.5;
  let sum = 0;
  for (const i of index) {
    const { x, y, byHand } = samples[i];
    // A point chosen by hand speaks for the node next to it.
    const at = byHand
      ? Math.max(0, Math.min(down - 1, Math.floor((y + 0.5) * down / height))) * across +
        Math.max(0, Math.min(across - 1, Math.floor((x + 0.5) * across / width)))
      : i;
    u[at] = value(samples[i]) - trend(x, y);
    known[at] = 1;
    sum += u[at] / index.length;
  }
  for (let k = 0; k < count; k++) if (!known[k]) u[k] = sum;
  fillUnknown(u, known, across, down);
  const nodes = new Float64Array(count);
  const box = new Float64Array(9);
  for (let y = 0; y < down; y++) {
    for (let x = 0; x < across; x++) {
      let n = 0;
      for (let j = Math.max(0, y - 1); j <= Math.min(down - 1, y + 1); j++) {
        for (let i = Math.max(0, x - 1); i <= Math.min(across - 1, x + 1); i++) box[n++] = u[j * across + i];
      }
      nodes[y * across + x] = medianInPlace(box, n) + trend(nodeX(x), nodeY(y));
    }
  }
  return { kind: "mesh", width, height, across, down, nodes };
}

/**
 * Weights of four nodes about a place between the second and the third (cubic convolution, Keys 1981, IEEE ASSP 29,
 * 1153).
 */
function keys(t: number, out: Float64Array): void {
  const t2 = t * t;
  const t3 = t2 * t;
  out[0] = -0.5 * t + t2 - 0.5 * t3;
  out[1] = 1 - 2.5 * t2 + 1.5 * t3;
  out[2] = 0.5 * t + 2 * t2 - 1.5 * t3;
  out[3] = -0.5 * t2 + 0.5 * t3;
}

/** Value of node k of a row, straight on beyond both ends. */
const nodeAt = (row: (k: number) => number, count: number, k: number): number =>
  k < 0
    ? row(0) + k * (row(1) - row(0))
    : k >= count
    ? row(count - 1) + (k - count + 1) * (row(count - 1) - row(count - 2))
    : row(k);

/** The surface at one place. */
export function meshAt(mesh: MeshSurface, x: number, y: number): number {
  const { width, height, across, down, nodes } = mesh;
  const wx = new Float64Array(4);
  const wy = new Float64Array(4);
  const u = (x + 0.5) * across / width - 0.5;
  const v = (y + 0.5) * down / height - 0.5;
  const i = Math.floor(u);
  const j = Math.floor(v);
  keys(u - i, wx);
  keys(v - j, wy);
  const along = (row: number) => {
    let sum = 0;
    for (let k = 0; k < 4; k++) sum += wx[k] * nodeAt((n) => nodes[row * across + n], across, i - 1 + k);
    return sum;
  };
  let sum = 0;
  for (let k = 0; k < 4; k++) sum += wy[k] * nodeAt(along, down, j - 1 + k);
  return sum;
}

/** The surface at every pixel. */
export function meshPlane(mesh: MeshSurface): Float32Array {
  const { width, height, across, down, nodes } = mesh;
  const out = allocatePlane(width, height);
  const w = new Float64Array(4);
  // Each row of nodes drawn along x, two more straight on above and two below; then four of them make a row of pixels.
  const drawn = new Float64Array((down + 4) * width);
  for (let x = 0; x < width; x++) {
    const u = (x + 0.5) * across / width - 0.5;
    const i = Math.floor(u);
    keys(u - i, w);
    const along = (row: number) => {
      let sum = 0;
      for (let k = 0; k < 4; k++) sum += w[k] * nodeAt((n) => nodes[row * across + n], across, i - 1 + k);
      return sum;
    };
    for (let j = -2; j <= down + 1; j++) drawn[(j + 2) * width + x] = nodeAt(along, down, j);
  }
  for (let y = 0; y < height; y++) {
    const v = (y + 0.5) * down / height - 0.5;
    const j = Math.floor(v);
    keys(v - j, w);
    const [a, b, c, d] = w;
    const at = y * width;
    const first = (j + 1) * width;
    for (let x = 0; x < width; x++) {
      const from = first + x;
      out[at + x] = a * drawn[from] + b * drawn[from + width] + c * drawn[from + 2 * width] +
        d * drawn[from + 3 * width];
    }
  }
  return out;
}
