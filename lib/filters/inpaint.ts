/** Inpainting: holes filled with a smooth surface from their surroundings, coarse to fine. */

import { borrowPlane, returnPlane } from "../core/memory.ts";

/** One step of a pyramid. */
interface Level {
  readonly width: number;
  readonly height: number;
  /** Mean of the known samples; 0 where none is. */
  readonly data: Float32Array;
  /** Share of the samples that are known, 0 … 1. */
  readonly known: Float32Array;
}

/** Half as fine: means of 2 × 2 known samples. */
function coarser(from: Level): Level {
  const width = (from.width + 1) >> 1;
  const height = (from.height + 1) >> 1;
  const data = new Float32Array(width * height);
  const known = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    const y0 = 2 * y;
    const y1 = Math.min(from.height - 1, y0 + 1);
    for (let x = 0; x < width; x++) {
      const x0 = 2 * x;
      const x1 = Math.min(from.width - 1, x0 + 1);
      const a = y0 * from.width + x0;
      const b = y0 * from.width + x1;
      const c = y1 * from.width + x0;
      const d = y1 * from.width + x1;
      const weight = from.known[a] + from.known[b] + from.known[c] + from.known[d];
      const at = y * width + x;
      if (weight > 0) {
        data[at] = (from.known[a] * from.data[a] + from.known[b] * from.data[b] + from.known[c] * from.data[c] +
          from.known[d] * from.data[d]) / weight;
        known[at] = weight / 4;
      }
    }
  }
  return { width, height, data, known };
}

/**
 * Indices of the pixels to solve, in order: holes, and what lies within `band` pixels of one along both axes. Those
 * nearer than two pixels to the border, whose stencil is mirrored, as −1 − index.
 */
function activePixels(level: Level, band: number): Int32Array {
  const { width, height, known } = level;
  const marks = new Uint8Array((width * height + 3) & ~3);
  for (let y = 0; y < height; y++) {
    const from = y * width;
    const to = from + width;
    const y0 = Math.max(0, y - band);
    const y1 = Math.min(height - 1, y + band);
    for (let i = from; i < to; i++) {
      if (known[i] === 1) continue;
      let last = i;
      while (last + 1 < to && known[last + 1] < 1) last++;
      const x0 = Math.max(0, i - from - band);
      const x1 = Math.min(width - 1, last - from + band);
      for (let j = y0 * width; j <= y1 * width; j += width) for (let x = j + x0; x <= j + x1; x++) marks[x] = 1;
      i = last;
    }
  }
  const words = new Int32Array(marks.buffer);
  let n = 0;
  for (let k = 0; k < words.length; k++) n += Math.imul(words[k], 0x01010101) >>> 24;
  const list = new Int32Array(n);
  for (let k = 0, m = 0; k < words.length; k++) {
    if (words[k] === 0) continue;
    for (let i = 4 * k; i < 4 * k + 4; i++) {
      if (marks[i] === 0) continue;
      const x = i % width;
      const inside = x >= 2 && x < width - 2 && i >= 2 * width && i < (height - 2) * width;
      list[m++] = inside ? i : -1 - i;
    }
  }
  return list;
}

/** How holes are filled. */
export interface FillSettings {
  /**
   * Pull of the known samples on the surface: with 0 the surface passes through them (biharmonic equation with fixed
   * borders), with more it may pass by their noise; the surface then follows structure wider than about pull^(−1/4)
   * pixels.
   */
  readonly pull: number;
  /** Sweeps on each level. */
  readonly sweeps: number;
}

/** One value for every hole of the coarsest level: the mean of what is known there. */
function fillWithMean(u: Float64Array, { data, known }: Level): void {
  let sum = 0;
  let weight = 0;
  for (let i = 0; i < u.length; i++) {
    sum += known[i] * data[i];
    weight += known[i];
  }
  for (let i = 0; i < u.length; i++) if (!(known[i] > 0)) u[i] = sum / weight;
}

/** The solution of the next coarser level, interpolated to the pixels that are solved here. */
function fillFromCoarser(
  u: Float64Array,
  level: Level,
  active: Int32Array,
  coarse: Float64Array,
  below: Level,
): void {
  const { width, known } = level;
  for (let n = 0; n < active.length; n++) {
    const i = active[n] < 0 ? -1 - active[n] : active[n];
    if (known[i] === 1) continue;
    const x = i % width;
    const y = (i - x) / width;
    // Centres of 2 × 2 blocks lie half a pixel off: weights of 3/4 and 1/4.
    const cy = (y - 0.5) / 2;
    const y0 = Math.max(0, Math.floor(cy));
    const y1 = Math.min(below.height - 1, y0 + 1);
    const cx = (x - 0.5) / 2;
    const x0 = Math.max(0, Math.floor(cx));
    const x1 = Math.min(below.width - 1, x0 + 1);
    const fx = Math.max(0, cx - x0);
    const fy = Math.max(0, cy - y0);
    const top = coarse[y0 * below.width + x0] * (1 - fx) + coarse[y0 * below.width + x1] * fx;
    const bottom = coarse[y1 * below.width + x0] * (1 - fx) + coarse[y1 * below.width + x1] * fx;
    u[i] = top * (1 - fy) + bottom * fy;
  }
}

/** Neighbours of a pixel near the border, mirrored there, weighted as the biharmonic stencil weights them. */
function mirroredSum(u: Float64Array, w: number, h: number, i: number): number {
  const at = (x: number, y: number) => {
    const cx = x < 0 ? Math.min(w - 1, -x) : x >= w ? Math.max(0, 2 * w - 2 - x) : x;
    const cy = y < 0 ? Math.min(h - 1, -y) : y >= h ? Math.max(0, 2 * h - 2 - y) : y;
    return u[cy * w + cx];
  };
  const x = i % w;
  const y = (i - x) / w;
  return 8 * (at(x - 1, y) + at(x + 1, y) + at(x, y - 1) + at(x, y + 1)) -
    2 * (at(x - 1, y - 1) + at(x + 1, y - 1) + at(x - 1, y + 1) + at(x + 1, y + 1)) -
    (at(x - 2, y) + at(x + 2, y) + at(x, y - 2) + at(x, y + 2));
}

/** Gauss–Seidel sweeps over the active pixels of a level, in place. */
function relax(u: Float64Array, level: Level, active: Int32Array, { pull, sweeps }: FillSettings): void {
  const { width: w, height: h, data, known } = level;
  const exact = pull === 0;
  // What the known samples pull with, and the share of the whole that a sum has; nothing is pulled where they are
  // fixed.
  const pulls = new Float64Array(active.length);
  const shares = new Float64Array(active.length);
  for (let n = 0; n < active.length; n++) {
    const i = active[n] < 0 ? -1 - active[n] : active[n];
    const weight = exact ? 0 : pull * known[i];
    pulls[n] = weight * data[i];
    shares[n] = exact && known[i] === 1 ? 0 : 1 / (20 + weight);
  }
  for (let sweep = 0; sweep < sweeps; sweep++) {
    // Forward and backward in turn, so that no direction is favoured.
    const step = sweep % 2 === 1 ? -1 : 1;
    const end = step > 0 ? active.length : -1;
    for (let n = step > 0 ? 0 : active.length - 1; n !== end; n += step) {
      let i = active[n];
      const share = shares[n];
      if (share === 0) continue;
      let sum = pulls[n];
      if (i >= 0) {
        // The sample before this one, just made, comes last: nothing else waits for it.
        sum += 8 * (u[i - w] + u[i + w] + u[i + step]) -
          2 * (u[i - w - 1] + u[i - w + 1] + u[i + w - 1] + u[i + w + 1]) -
          (u[i - 2] + u[i + 2] + u[i - 2 * w] + u[i + 2 * w]) + 8 * u[i - step];
      } else {
        i = -1 - i;
        sum += mirroredSum(u, w, h, i);
      }
      u[i] = sum * share;
    }
  }
}

/** The levels of a pyramid down to a few pixels, or to one without holes. */
function pyramidOf(finest: Level): Level[] {
  const levels = [finest];
  for (let last = finest; Math.max(last.width, last.height) > 4; last = levels[levels.length - 1]) {
    if (last !== finest && !last.known.includes(0)) break;
    levels.push(coarser(last));
  }
  return levels;
}

/** The surface on the finest level, solved from the coarsest to it. */
function solve(finest: Level, settings: FillSettings): Float64Array {
  const levels = pyramidOf(finest);
  let solution = new Float64Array(0);
  for (let k = levels.length - 1; k >= 0; k--) {
    const level = levels[k];
    const active = activePixels(level, settings.pull === 0 ? 0 : 3);
    const u = new Float64Array(level.data.length);
    u.set(level.data);
    if (k === levels.length - 1) fillWithMean(u, level);
    else fillFromCoarser(u, level, active, solution, levels[k + 1]);
    relax(u, level, active, settings);
    solution = u;
  }
  return solution;
}

/**
 * Fill the holes of a plane with the surface of least bending energy ∫(Δu)² that agrees with its surroundings
 * (biharmonic inpainting, Damelin & Hoang 2018, SIAM J. Imaging Sci. 11, 1), by Gauss–Seidel sweeps from the coarsest
 * level of a pyramid to the finest (cascadic multigrid, Bornemann & Deuflhard 1996).
 *
 * @param data samples; those in holes do not matter
 * @param hole 1 where a sample is to be made, 0 where it is known
 * @returns a borrowed plane that equals `data` outside the holes, and everywhere away from them
 */
export function fillHoles(
  data: Float32Array,
  hole: Uint8Array,
  width: number,
  height: number,
  settings: FillSettings,
): Float32Array {
  const known = borrowPlane(data.length);
  const clean = borrowPlane(data.length);
  let missing = 0;
  for (let i = 0; i < data.length; i++) {
    const there = hole[i] === 0 && Number.isFinite(data[i]);
    if (!there) missing++;
    known[i] = there ? 1 : 0;
    clean[i] = there ? data[i] : 0;
  }
  const out = borrowPlane(data.length);
  out.set(data);
  if (missing > 0 && missing < data.length) {
    const made = solve({ width, height, data: clean, known }, settings);
    for (let i = 0; i < data.length; i++) if (hole[i] || !Number.isFinite(data[i])) out[i] = made[i];
  }
  returnPlane(known);
  returnPlane(clean);
  return out;
}
