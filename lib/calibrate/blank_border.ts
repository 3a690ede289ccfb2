/** Borders that hold one exact value instead of sky: a frame was padded, shifted or turned before it was saved. */
import type { Raster } from "../core/raster.ts";

/** Pixels of one exact value side by side from which on an edge is no noise. */
const minimumRun = 8;
/** Share of the frame that may speak against a blank border by chance; above it, the value is that of the sky. */
const maximumChance = 0.001;
/** Share of a frame that a border may take; what is blank beyond it is the frame. */
const maximumBorder = 0.5;

/** A row or column as offsets into the samples. */
interface Line {
  readonly from: number;
  readonly step: number;
  readonly count: number;
}

/** The outermost rows and columns. */
function outlineOf({ width, height }: Raster): Line[] {
  return [
    { from: 0, step: 1, count: width },
    { from: (height - 1) * width, step: 1, count: width },
    { from: 0, step: width, count: height },
    { from: width - 1, step: width, count: height },
  ];
}

/** Whether a row or column holds a run of one exact value; such a frame is worth a closer look. */
export const hasBlankRun = (line: Float32Array): boolean =>
  seedsOf(line, { from: 0, step: 1, count: line.length }).length > 0;

/** Pixels of an edge that lie in runs of one exact value. */
function seedsOf(data: Float32Array, { from, step, count }: Line): number[] {
  const seeds: number[] = [];
  for (let start = 0; start < count;) {
    const value = data[from + start * step];
    let end = start + 1;
    while (end < count && data[from + end * step] === value) end++;
    if (end - start >= minimumRun) { for (let k = start; k < end; k++) seeds.push(from + k * step); }
    start = end;
  }
  return seeds;
}

/** Pixels that hang together with the seeds through samples of the same exact value; 1 marks them. */
function flood({ data, width, height }: Raster, seeds: readonly number[]): Uint8Array {
  const marks = new Uint8Array(data.length);
  const queue = [...seeds];
  for (const seed of queue) marks[seed] = 1;
  const visit = (to: number, value: number): void => {
    if (marks[to] === 0 && data[to] === value) {
      marks[to] = 1;
      queue.push(to);
    }
  };
  for (let next = queue.pop(); next !== undefined; next = queue.pop()) {
    const x = next % width;
    const value = data[next];
    if (x > 0) visit(next - 1, value);
    if (x < width - 1) visit(next + 1, value);
    if (next >= width) visit(next - width, value);
    if (next < (height - 1) * width) visit(next + width, value);
  }
  return marks;
}

/** Single pixels of another value in the midst of marked ones: a blank border has none, a coarse sky many. */
function countHoles(marks: Uint8Array, width: number): number {
  let holes = 0;
  for (let i = width + 1; i < marks.length - width - 1; i++) {
    if (marks[i] === 0 && marks[i - 1] + marks[i + 1] + marks[i - width] + marks[i + width] === 4) holes++;
  }
  return holes;
}

/**
 * Pixels of a raw frame that are no sky but padding: regions of one exact value that reach the edge in a run of 8
 * pixels or more. A value that the rest of the frame has as well, or a region with holes, in more than one sample of a
 * thousand, is taken for the sky of a coarse or clipped sensor and left, and so is what fills more than half the frame.
 * Common practice, no source; the limits are our own choice.
 *
 * @returns 1 for each blank pixel, row by row; null when there is none
 */
export function blankBorder(raster: Raster): Uint8Array | null {
  const { data } = raster;
  const seeds = outlineOf(raster).flatMap((edge) => seedsOf(data, edge));
  if (seeds.length === 0) return null;
  const marks = flood(raster, seeds);
  const values = new Set(seeds.map((seed) => data[seed]));
  let blank = 0;
  let elsewhere = 0;
  for (let i = 0; i < data.length; i++) {
    if (marks[i] === 1) blank++;
    else if (values.has(data[i])) elsewhere++;
  }
  const sky = data.length - blank;
  const isSky = elsewhere > maximumChance * sky || countHoles(marks, raster.width) > maximumChance * blank;
  return blank <= maximumBorder * data.length && !isSky ? marks : null;
}
