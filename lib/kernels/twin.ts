/**
 * The kernels in plain TypeScript: the same operations in the same order and precision as src/*.as.ts, so the results
 * agree to the byte (the sign of a NaN apart, which no standard fixes). They run where WebAssembly cannot, and tests
 * compare the two.
 */

const f = Math.fround;

/** Index mirrored into 0 … n − 1 without repeating the edge. */
export function mirror(i: number, n: number): number {
  if (n === 1) return 0;
  const period = 2 * (n - 1);
  const k = ((i % period) + period) % period;
  return k < n ? k : period - k;
}

/** Rows from … to of samples smoothed by the B3 spline with holes, each handed out with its place. */
function visitSmooth(
  sample: (i: number) => number,
  w: number,
  h: number,
  step: number,
  from: number,
  to: number,
  visit: (i: number, smooth: number) => void,
): void {
  const pad = 2 * step;
  const line = new Float32Array(w + 2 * pad);
  for (let y = from; y < to; y++) {
    const a = mirror(y - 2 * step, h) * w;
    const b = mirror(y - step, h) * w;
    const c = y * w;
    const d = mirror(y + step, h) * w;
    const e = mirror(y + 2 * step, h) * w;
    for (let x = 0; x < w; x++) {
      line[pad + x] = f(f(sample(a + x) + sample(e + x)) * 0.0625) +
        f(f(f(sample(b + x) + sample(d + x)) * 0.25) + f(sample(c + x) * 0.375));
    }
    for (let i = 1; i <= pad; i++) {
      line[pad - i] = line[pad + mirror(-i, w)];
      line[pad + w - 1 + i] = line[pad + mirror(w - 1 + i, w)];
    }
    for (let x = 0, l = pad; x < w; x++, l++) {
      const v = f(
        f(f(line[l - 2 * step] + line[l + 2 * step]) * 0.0625) +
          f(f(f(line[l - step] + line[l + step]) * 0.25) + f(line[l] * 0.375)),
      );
      visit(c + x, v);
    }
  }
}

/** Rows from … to of one starlet scale; see starletScale. */
export function starletTwin(
  source: Float32Array,
  smooth: Float32Array,
  detail: Float32Array,
  w: number,
  h: number,
  step: number,
  from: number,
  to: number,
): void {
  visitSmooth((i) => source[i], w, h, step, from, to, (i, v) => {
    smooth[i] = v;
    detail[i] = source[i] - v;
  });
}

/** Rows from … to convolved along columns, then along rows; whether one of them holds a NaN. See blurPlane. */
export function blurTwin(
  source: Float32Array,
  out: Float32Array,
  w: number,
  h: number,
  from: number,
  to: number,
  taps: Float32Array,
): boolean {
  const radius = taps.length - 1;
  const sum = new Float32Array(w);
  const line = new Float32Array(w + 2 * radius);
  for (let y = from; y < to; y++) {
    for (let x = 0; x < w; x++) sum[x] = source[y * w + x] * taps[0];
    for (let j = 1; j <= radius; j++) {
      const p = mirror(y - j, h) * w;
      const q = mirror(y + j, h) * w;
      for (let x = 0; x < w; x++) sum[x] = sum[x] + f(f(source[p + x] + source[q + x]) * taps[j]);
    }
    for (let x = -radius; x < w + radius; x++) line[x + radius] = sum[mirror(x, w)];
    for (let x = 0, l = radius; x < w; x++, l++) {
      let s = f(line[l] * taps[0]);
      for (let j = 1; j <= radius; j++) s = f(s + f(f(line[l - j] + line[l + j]) * taps[j]));
      out[y * w + x] = s;
    }
  }
  return source.subarray(from * w, to * w).some(Number.isNaN);
}

/** Rows from … to of the lowest (sign 1) or highest (sign −1) samples within a disc; see extremumPlane. */
export function lowestTwin(
  source: Float32Array,
  out: Float32Array,
  w: number,
  h: number,
  from: number,
  to: number,
  chords: Int32Array,
  sign: number,
): void {
  const reach = chords.length >> 1;
  for (let y = from; y < to; y++) {
    for (let x = 0; x < w; x++) {
      let best = Infinity;
      for (let r = Math.max(0, y - reach); r <= Math.min(h - 1, y + reach); r++) {
        const half = chords[r - y + reach];
        for (let k = Math.max(0, x - half); k <= Math.min(w - 1, x + half); k++) {
          const v = source[r * w + k] * sign + 0;
          if (v < best && v > -Infinity) best = v;
        }
      }
      out[y * w + x] = best < Infinity ? best * sign + 0 : NaN;
    }
  }
}

/** Number of an operation in the kernels. */
export const operationCode: Readonly<Record<"none" | "add" | "subtract" | "multiply" | "divide", number>> = Object
  .freeze({
    none: 0,
    add: 1,
    subtract: 2,
    multiply: 3,
    divide: 4,
  });

function applied(a: number, s: number, operation: number): number {
  return operation === 0 ? s : operation === 1 ? a + s : operation === 2 ? a - s : operation === 3 ? a * s : a / s;
}

/** One row of a polynomial of degree 4. */
export function polynomialRowTwin(
  source: Float32Array | null,
  out: Float32Array,
  at: number,
  w: number,
  u0: number,
  du: number,
  c: readonly number[],
  operation: number,
): void {
  const [c0, c1, c2, c3, c4] = c;
  for (let x = 0; x < w; x++) {
    const u = f(u0 + f(x * du));
    const s = f(c0 + f(u * f(c1 + f(u * f(c2 + f(u * f(c3 + f(u * c4))))))));
    out[at + x] = applied(source === null ? 0 : source[at + x], s, operation);
  }
}

/** One row of cubic pieces: 5 floats a piece, then where each ends. */
export function piecesRowTwin(
  source: Float32Array | null,
  out: Float32Array,
  at: number,
  pieces: Float32Array,
  ends: Int32Array,
  dt: number,
  operation: number,
): void {
  let x = 0;
  for (let k = 0; k < ends.length; k++) {
    const [c0, c1, c2, c3, t0] = pieces.subarray(5 * k, 5 * k + 5);
    for (let i = 0; x < ends[k]; x++, i++) {
      const t = f(t0 + f(i * dt));
      const s = f(c0 + f(t * f(c1 + f(t * f(c2 + f(t * c3))))));
      out[at + x] = applied(source === null ? 0 : source[at + x], s, operation);
    }
  }
}

/** Rows from … to of the kept details added to `out`; see thresholdDetail. */
export function thresholdDetailTwin(
  judged: Float32Array,
  even: Float32Array,
  detail: Float32Array,
  out: Float32Array,
  w: number,
  h: number,
  step: number,
  from: number,
  to: number,
  norm: number,
  most: number,
  low: number,
  scale: number,
  grain: number,
  first: boolean,
): void {
  const none = Math.fround(1 - Math.fround(grain));
  const [n, m, l, s, g] = [norm, most, low, scale, grain].map(f);
  const power = (i: number) => {
    const p = f(f(f(judged[i] * judged[i]) * n) * even[i]);
    return p < m ? p : m;
  };
  visitSmooth(power, w, h, step, from, to, (i, v) => {
    let u = f(f(v - l) * s);
    u = u < 1 ? u : 1;
    u = u > 0 ? u : 0;
    const share = f(g + f(none * f(f(u * u) * f(3 - f(2 * u)))));
    const kept = f(detail[i] * share);
    out[i] = first ? kept : f(out[i] + kept);
  });
}

/** Median of the first `n` of sorted sizes; the mean of the two middle ones when n is even. */
const middleOfSorted = (sorted: Float32Array, n: number): number =>
  n & 1 ? sorted[n >> 1] : (sorted[(n >> 1) - 1] + sorted[n >> 1]) / 2;

/** Median size and number of the samples of each tile; see tileMads. */
export function tileMadsTwin(
  data: Float32Array,
  w: number,
  columns: Int32Array,
  rows: Int32Array,
  step: number,
  most: number,
  middles: Float64Array,
  counts: Float64Array,
): void {
  const sizes = new Float32Array(most);
  const across = columns.length - 1;
  for (let t = 0; t < middles.length; t++) {
    const c = t % across;
    const r = (t - c) / across;
    let n = 0;
    for (let y = rows[r]; y < rows[r + 1]; y += step) {
      for (let x = columns[c]; x < columns[c + 1]; x += step) {
        const v = Math.abs(data[y * w + x]);
        if (v === v) sizes[n++] = v;
      }
    }
    counts[t] = n;
    middles[t] = n === 0 ? NaN : middleOfSorted(sizes.subarray(0, n).sort(), n);
  }
}

/** Clipped standard deviation by the median size; see clippedMad. */
export function clippedMadTwin(
  data: Float32Array,
  stride: number,
  rounds: number,
  toSigma: number,
  afterClip: number,
): number {
  const sizes = new Float32Array(Math.ceil(data.length / stride));
  let n = 0;
  for (let i = 0; i < data.length; i += stride) if (data[i] === data[i]) sizes[n++] = Math.abs(data[i]);
  if (n === 0) return NaN;
  const sorted = sizes.subarray(0, n).sort();
  let sigma = toSigma * middleOfSorted(sorted, n);
  for (let round = 0; round < rounds; round++) {
    let m = 0;
    while (m < n && sorted[m] <= 3 * sigma) m++;
    if (m === n || m === 0) break;
    n = m;
    sigma = toSigma * middleOfSorted(sorted, n) / afterClip;
  }
  return sigma;
}

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
 * Rows from … to drawn through the curves of parts; see applyTileCurves. `left` and `right` count bytes of pairs of floats.
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

/** Rows from … to convolved with weights in opposite pairs; see convolvePlane. */
export function convolveTwin(
  source: Float32Array,
  out: Float32Array,
  w: number,
  h: number,
  from: number,
  to: number,
  middle: number,
  dx: Int32Array,
  dy: Int32Array,
  weights: Float32Array,
): void {
  const own = f(middle);
  for (let y = from; y < to; y++) {
    for (let x = 0; x < w; x++) {
      let s = f(source[y * w + x] * own);
      for (let k = 0; k < weights.length; k++) {
        const p = source[mirror(y + dy[k], h) * w + mirror(x + dx[k], w)];
        const q = source[mirror(y - dy[k], h) * w + mirror(x - dx[k], w)];
        s = f(s + f(f(p + q) * weights[k]));
      }
      out[y * w + x] = s;
    }
  }
}
