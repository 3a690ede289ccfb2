/**
 * The kernels in plain TypeScript: the same operations in the same order and precision as src/*.as.ts, so the results agree to
 * the byte (the sign of a NaN apart, which no standard fixes). They run where WebAssembly cannot, and tests compare the two.
 */

const f = Math.fround;

/** (value − subtract) / divide over samples from … to; see calibratePlane. */
export function calibrateTwin(
  raw: Float32Array | Uint8Array,
  subtract: Float32Array | null,
  divide: Float32Array | null,
  out: Float32Array,
  from: number,
  to: number,
): void {
  const short = raw instanceof Uint8Array;
  for (let i = from; i < to; i++) {
    let v = short ? ((raw[2 * i] << 8) | raw[2 * i + 1]) ^ 0x8000 : raw[i];
    if (subtract !== null) v = f(v - subtract[i]);
    if (divide !== null) v = divide[i] > 0 ? f(v / divide[i]) : NaN;
    out[i] = v;
  }
}

/** Index mirrored into 0 … n − 1 without repeating the edge. */
export function mirror(i: number, n: number): number {
  if (n === 1) return 0;
  const period = 2 * (n - 1), k = ((i % period) + period) % period;
  return k < n ? k : period - k;
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
  const pad = 2 * step, line = new Float32Array(w + 2 * pad);
  for (let y = from; y < to; y++) {
    const a = mirror(y - 2 * step, h) * w, b = mirror(y - step, h) * w, c = y * w;
    const d = mirror(y + step, h) * w, e = mirror(y + 2 * step, h) * w;
    for (let x = 0; x < w; x++) {
      line[pad + x] = f(f(source[a + x] + source[e + x]) * 0.0625) +
        f(f(f(source[b + x] + source[d + x]) * 0.25) + f(source[c + x] * 0.375));
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
      smooth[c + x] = v;
      detail[c + x] = source[c + x] - v;
    }
  }
}

/** Rows from … to convolved along the row; see blurPlane. */
export function blurRowsTwin(
  source: Float32Array,
  out: Float32Array,
  w: number,
  from: number,
  to: number,
  taps: Float32Array,
): void {
  const radius = taps.length - 1, line = new Float32Array(w + 2 * radius);
  for (let y = from; y < to; y++) {
    for (let x = -radius; x < w + radius; x++) line[x + radius] = source[y * w + mirror(x, w)];
    for (let x = 0, l = radius; x < w; x++, l++) {
      let sum = f(line[l] * taps[0]);
      for (let j = 1; j <= radius; j++) sum = f(sum + f(f(line[l - j] + line[l + j]) * taps[j]));
      out[y * w + x] = sum;
    }
  }
}

/** Rows from … to convolved along the columns; see blurPlane. */
export function blurColumnsTwin(
  source: Float32Array,
  out: Float32Array,
  w: number,
  h: number,
  from: number,
  to: number,
  taps: Float32Array,
): void {
  const sum = new Float32Array(w);
  for (let y = from; y < to; y++) {
    for (let x = 0; x < w; x++) sum[x] = source[y * w + x] * taps[0];
    for (let j = 1; j < taps.length; j++) {
      const p = mirror(y - j, h) * w, q = mirror(y + j, h) * w;
      for (let x = 0; x < w; x++) sum[x] = sum[x] + f(f(source[p + x] + source[q + x]) * taps[j]);
    }
    out.set(sum, y * w);
  }
}

/** Rows from … to of the lowest (sign 1) or highest (sign −1) samples within a disc; see extremePlane. */
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

const word = new Float32Array(1), wordBits = new Int32Array(word.buffer);
/** Order-preserving integer of a float. */
function keyOf(x: number): number {
  word[0] = x;
  return wordBits[0] ^ ((wordBits[0] >> 31) & 0x7fffffff);
}
/** The float of such an integer. */
function ofKey(k: number): number {
  wordBits[0] = k ^ ((k >> 31) & 0x7fffffff);
  return word[0];
}

/** Middle of d[0 … n), mean of the two middle ones for even n; n above 0 of them have data. */
function middleTwin(d: Float32Array, n: number, low: number, high: number): number {
  if (n === 0) return ofKey(keyOf(high));
  const want = (n + 1) >> 1;
  let l = (keyOf(low) - 1) | 0, h = keyOf(high);
  while (h - l > 1) {
    const m = (l & h) + ((l ^ h) >> 1), value = ofKey(m);
    let k = 0;
    for (const x of d) if (x <= value) k++;
    if (k >= want) h = m;
    else l = m;
  }
  const lower = ofKey(h);
  let k = 0, next = Infinity;
  for (const x of d) {
    if (x <= lower) k++;
    else if (x > lower) next = Math.min(next, x);
  }
  return n % 2 === 0 ? f(f(lower + (k > want ? lower : next)) * 0.5) : lower;
}

const leastKept = (n: number): number => Math.min(n, Math.max(3, Math.ceil(n * 0.5)));

function meanBoundsTwin(d: Float32Array, below: number, above: number, rounds: number): readonly [number, number] {
  let low = -Infinity, high = Infinity, before: readonly [number, number] = [low, high], was = 0, least = 0;
  for (let round = 0; round <= rounds; round++) {
    let k = 0, s = 0, q = 0;
    for (const x of d) {
      if (!(x >= low && x <= high)) continue;
      k++;
      s = f(s + x);
      q = f(q + f(x * x));
    }
    if (round === 0) least = leastKept(k);
    else {
      if (k < least) return before;
      if (k === was) return [low, high];
    }
    if (round === rounds) break;
    was = k;
    const m = f(s / k), t = f(Math.sqrt(Math.max(0, f(f(q / k) - f(m * m)))));
    before = [low, high];
    low = Math.max(low, f(m - f(below * t)));
    high = Math.min(high, f(m + f(above * t)));
  }
  return [low, high];
}

function robustBoundsTwin(
  x: Float32Array,
  c: number,
  below: number,
  above: number,
  huber: boolean,
): readonly [number, number] {
  const d = x.map((each) => each - c);
  let low = Infinity, high = -Infinity, n = 0;
  for (const each of d) {
    if (each !== each) continue;
    low = Math.min(low, each);
    high = Math.max(high, each);
    n++;
  }
  let m = middleTwin(d, n, low, high);
  const far = Math.max(Math.abs(f(high - m)), Math.abs(f(m - low))), centre = f(c + m);
  const distances = x.map((each) => Math.abs(f(each - centre)));
  let s = f(middleTwin(distances, n, 0, f(far + f(far * f(1e-5)))) * f(1.4826022));
  for (let round = 0; huber && round < 60 && n >= 3; round++) {
    const cl = f(s * -1.5), ch = f(s * 1.5);
    let sum = 0, q = 0;
    for (const each of d) {
      const e = f(each - m);
      const clamped = e !== e ? 0 : Math.max(cl, Math.min(ch, e));
      sum = f(sum + clamped);
      q = f(q + f(clamped * clamped));
    }
    const step = f(sum / n);
    const spread = f(f(Math.max(0, f(q - f(n * f(step * step)))) / f(n - 1)) / f(0.7784652161));
    const next = f(Math.sqrt(spread)), near = f(next * f(1e-4));
    const still = Math.abs(step) <= near && Math.abs(f(next - s)) <= near;
    m = f(m + step);
    s = next;
    if (still) break;
  }
  const l = f(m - f(below * s)), h = f(m + f(above * s));
  let k = 0;
  for (const each of d) if (each >= l && each <= h) k++;
  return k < leastKept(n) ? [-Infinity, Infinity] : [l, h];
}

/** Pixels from … to of a rejecting mean; see rejectingMean. Results: five planes of `plane` samples in `out`. */
export function rejectingMeanTwin(
  samples: Float32Array,
  n: number,
  stride: number,
  from: number,
  to: number,
  weights: Float32Array,
  belowSigma: number,
  aboveSigma: number,
  rounds: number,
  rule: number,
  out: Float32Array,
  plane: number,
): void {
  const x = new Float32Array(n), d = new Float32Array(n), below = f(belowSigma), above = f(aboveSigma);
  for (let i = from; i < to; i++) {
    for (let k = 0; k < n; k++) x[k] = samples[k * stride + i];
    const a = x[0], b = x[n >> 1], e = x[n - 1];
    let c = Math.max(Math.min(a, b), Math.min(Math.max(a, b), e));
    if (c !== c) c = x.find((each) => each === each) ?? 0;
    for (let k = 0; k < n; k++) d[k] = x[k] - c;
    const [low, high] = rule === 1
      ? meanBoundsTwin(d, below, above, rounds)
      : rule >= 2
      ? robustBoundsTwin(x, c, below, above, rule === 3)
      : [-Infinity, Infinity];
    let s = 0, w = 0, v = 0, q = 0, dimmer = 0, brighter = 0;
    for (let k = 0; k < n; k++) {
      const each = d[k];
      if (each < low) dimmer++;
      else if (each > high) brighter++;
      else if (each === each) {
        const weight = weights[k], product = f(weight * each);
        s = f(s + product);
        w = f(w + weight);
        v = f(v + f(weight * weight));
        q = f(q + f(product * each));
      }
    }
    const m = f(s / w);
    out[i] = c + m;
    out[plane + i] = w;
    out[2 * plane + i] = dimmer;
    out[3 * plane + i] = brighter;
    out[4 * plane + i] = f(Math.max(0, f(f(q / w) - f(m * m)))) / f(f(f(w * w) / v) - 1);
  }
}
