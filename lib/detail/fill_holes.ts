/** Smooth surfaces over what is missing: holes filled from their surroundings, coarse to fine. */

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
  const width = (from.width + 1) >> 1, height = (from.height + 1) >> 1;
  const data = new Float32Array(width * height), known = new Float32Array(width * height);
  for (let y = 0; y < height; y++) {
    const y0 = 2 * y, y1 = Math.min(from.height - 1, y0 + 1);
    for (let x = 0; x < width; x++) {
      const x0 = 2 * x, x1 = Math.min(from.width - 1, x0 + 1);
      const a = y0 * from.width + x0, b = y0 * from.width + x1, c = y1 * from.width + x0, d = y1 * from.width + x1;
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

/** Indices of the pixels to solve: holes, and what lies within `band` pixels of one. */
function activePixels(level: Level, band: number): Int32Array {
  const { width, height, known } = level, near = new Uint8Array(width * height), busy = new Uint8Array(height);
  // Dilate by rows, then by columns: a square band. Rows without a hole near them are passed over.
  for (let y = 0; y < height; y++) {
    const from = y * width, to = from + width;
    let reach = -1;
    for (let i = from; i < to; i++) {
      if (known[i] < 1) {
        reach = i + band;
        busy[y] = 1;
      }
      if (i <= reach) near[i] = 1;
    }
    if (!busy[y]) continue;
    reach = to;
    for (let i = to - 1; i >= from; i--) {
      if (known[i] < 1) reach = i - band;
      if (i >= reach) near[i] = 1;
    }
  }
  const both = band === 0 ? near : near.slice();
  for (let y = 0; y < height && band > 0; y++) {
    if (!busy[y]) continue;
    const from = y * width;
    for (let j = Math.max(0, y - band); j <= Math.min(height - 1, y + band); j++) {
      if (j === y) continue;
      const to = j * width;
      for (let x = 0; x < width; x++) both[to + x] |= near[from + x];
    }
  }
  let n = 0;
  for (let i = 0; i < both.length; i++) n += both[i];
  const list = new Int32Array(n);
  for (let i = 0, k = 0; i < both.length; i++) if (both[i]) list[k++] = i;
  return list;
}

/** How holes are filled. */
export interface FillSettings {
  /**
   * Pull of the known samples on the surface: with 0 the surface passes through them (biharmonic equation with fixed
   * borders), with more it may pass by their noise; the surface then follows structure wider than about pull^(−1/4) pixels.
   */
  readonly pull: number;
  /** Sweeps on each level. */
  readonly sweeps: number;
}

/**
 * Fill the holes of a plane with the surface of least bending energy ∫(Δu)² that agrees with its surroundings
 * (biharmonic inpainting, Damelin & Hoang 2018, SIAM J. Imaging Sci. 11, 1), by Gauss–Seidel sweeps from the coarsest
 * level of a pyramid to the finest (cascadic multigrid, Bornemann & Deuflhard 1996).
 *
 * @param data samples; those in holes do not matter
 * @param hole 1 where a sample is to be made, 0 where it is known
 * @returns a plane that equals `data` outside the holes, and everywhere away from them
 */
export function fillHoles(
  data: Float32Array,
  hole: Uint8Array,
  width: number,
  height: number,
  settings: FillSettings,
): Float32Array {
  const { pull, sweeps } = settings, exact = pull === 0;
  const known = new Float32Array(data.length), clean = new Float32Array(data.length);
  let missing = 0;
  for (let i = 0; i < data.length; i++) {
    if (hole[i] || !Number.isFinite(data[i])) missing++;
    else {
      known[i] = 1;
      clean[i] = data[i];
    }
  }
  const out = data.slice();
  if (missing === 0 || missing === data.length) return out;
  const levels: Level[] = [{ width, height, data: clean, known }];
  while (Math.max(levels[levels.length - 1].width, levels[levels.length - 1].height) > 4) {
    const last = levels[levels.length - 1];
    if (last !== levels[0] && last.known.every((k) => k > 0)) break;
    levels.push(coarser(last));
  }
  let solution: Float64Array | null = null;
  for (let k = levels.length - 1; k >= 0; k--) {
    const level = levels[k], { width: w, height: h } = level, size = w * h;
    const u = new Float64Array(size), active = activePixels(level, exact ? 0 : 3);
    u.set(level.data);
    if (solution === null) {
      let sum = 0, weight = 0;
      for (let i = 0; i < size; i++) {
        sum += level.known[i] * level.data[i];
        weight += level.known[i];
      }
      for (let i = 0; i < size; i++) if (!(level.known[i] > 0)) u[i] = sum / weight;
    } else {
      const below = levels[k + 1], from: Float64Array = solution;
      for (let n = 0; n < active.length; n++) {
        const i = active[n];
        if (level.known[i] === 1) continue;
        const x = i % w, y = (i - x) / w;
        // Centres of 2 × 2 blocks lie half a pixel off: weights of 3/4 and 1/4.
        const cy = (y - 0.5) / 2, y0 = Math.max(0, Math.floor(cy)), y1 = Math.min(below.height - 1, y0 + 1);
        const cx = (x - 0.5) / 2, x0 = Math.max(0, Math.floor(cx)), x1 = Math.min(below.width - 1, x0 + 1);
        const fx = Math.max(0, cx - x0), fy = Math.max(0, cy - y0);
        const top = from[y0 * below.width + x0] * (1 - fx) + from[y0 * below.width + x1] * fx;
        const bottom = from[y1 * below.width + x0] * (1 - fx) + from[y1 * below.width + x1] * fx;
        u[i] = top * (1 - fy) + bottom * fy;
      }
    }
    const at = (x: number, y: number) => {
      const cx = x < 0 ? Math.min(w - 1, -x) : x >= w ? Math.max(0, 2 * w - 2 - x) : x;
      const cy = y < 0 ? Math.min(h - 1, -y) : y >= h ? Math.max(0, 2 * h - 2 - y) : y;
      return u[cy * w + cx];
    };
    for (let sweep = 0; sweep < sweeps; sweep++) {
      // Forward and backward in turn, so that no direction is favoured.
      const backwards = sweep % 2 === 1;
      for (let n = 0; n < active.length; n++) {
        const i = active[backwards ? active.length - 1 - n : n];
        const x = i % w, y = (i - x) / w;
        const weight = exact ? 0 : pull * level.known[i];
        let sum: number;
        if (x >= 2 && y >= 2 && x < w - 2 && y < h - 2) {
          sum = 8 * (u[i - 1] + u[i + 1] + u[i - w] + u[i + w]) -
            2 * (u[i - w - 1] + u[i - w + 1] + u[i + w - 1] + u[i + w + 1]) -
            (u[i - 2] + u[i + 2] + u[i - 2 * w] + u[i + 2 * w]);
        } else {
          sum = 8 * (at(x - 1, y) + at(x + 1, y) + at(x, y - 1) + at(x, y + 1)) -
            2 * (at(x - 1, y - 1) + at(x + 1, y - 1) + at(x - 1, y + 1) + at(x + 1, y + 1)) -
            (at(x - 2, y) + at(x + 2, y) + at(x, y - 2) + at(x, y + 2));
        }
        if (exact && level.known[i] === 1) continue;
        u[i] = (sum + weight * level.data[i]) / (20 + weight);
      }
    }
    solution = u;
  }
  const made = solution as Float64Array;
  for (let i = 0; i < data.length; i++) if (hole[i] || !Number.isFinite(data[i])) out[i] = made[i];
  return out;
}
