/** The kernel of `src/adaptive_histogram.as.ts` in plain TypeScript; see machine.ts for what a twin is. */

const f = Math.fround;

/** Tones of columns x0 … x1 of some rows, and samples without data; see countTileHistograms. */
export function countTileHistogramsTwin(
  light: Float32Array,
  w: number,
  x0: number,
  x1: number,
  rows: number,
  tones: number,
  counts: Uint32Array,
): void {
  for (let y = 0; y < rows; y++) {
    for (let i = y * w + x0; i < y * w + x1; i++) {
      const v = light[i];
      counts[v !== v ? tones : Math.max(0, Math.min(tones - 1, Math.trunc(f(v * tones))))]++;
    }
  }
}

/**
 * Rows from … to drawn through the curves of parts; see applyTileCurves. `left` and `right` count bytes of pairs of
 * floats.
 */
export function applyTileCurvesTwin(
  light: Float32Array,
  out: Float32Array,
  from: number,
  to: number,
  parts: {
    readonly width: number;
    readonly height: number;
    readonly across: number;
    readonly down: number;
    readonly tones: number;
    readonly strength: number;
  },
  nodes: Float32Array,
  left: Int32Array,
  right: Int32Array,
  part: Float32Array,
): void {
  const { width: w, height: h, across, down, tones } = parts;
  const count = across * (tones + 1);
  const strength = f(parts.strength);
  const heights = new Float32Array(count + 1);
  for (let y = from; y < to; y++) {
    const v = (y + 0.5) * down / h - 0.5;
    const k = Math.floor(v);
    const fy = f(v - k);
    const upper = Math.max(0, k) * count;
    const lower = Math.min(down - 1, k + 1) * count;
    for (let n = 0; n < count; n++) {
      const u = nodes[upper + n];
      heights[n] = u + f(fy * f(nodes[lower + n] - u));
    }
    const curve = (n: number, t: number) => f(heights[n] + f(t * f(heights[n + 1] - heights[n])));
    for (let x = 0, i = y * w; x < w; x++, i++) {
      const t = light[i];
      if (t !== t) {
        out[i] = NaN;
        continue;
      }
      const p = f(Math.min(1, Math.max(0, t)) * tones);
      const tone = Math.min(tones - 1, Math.trunc(p));
      const share = f(p - tone);
      const near = curve(left[x] / 8 + tone, share);
      const far = curve(right[x] / 8 + tone, share);
      const made = f(t + f(strength * f(f(near + f(part[x] * f(far - near))) - t)));
      out[i] = made < 0 ? 0 : made > 1 ? 1 : made;
    }
  }
}
