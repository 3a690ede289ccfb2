/** Two-dimensional discrete Fourier transform of small planes, sides powers of two. */

/** A plane of complex numbers, row by row. */
export interface ComplexPlane {
  /** Columns, a power of two. */
  readonly width: number;
  /** Rows, a power of two. */
  readonly height: number;
  /** Real parts. */
  readonly re: Float64Array;
  /** Imaginary parts. */
  readonly im: Float64Array;
}

/** The smallest power of two that is not below the number. */
export const powerOfTwo = (least: number): number => 2 ** Math.ceil(Math.log2(Math.max(1, least)));

interface Twiddles {
  readonly cos: Float64Array;
  readonly sin: Float64Array;
  readonly order: Uint32Array;
}

function twiddles(n: number): Twiddles {
  const cos = new Float64Array(n / 2 || 1);
  const sin = new Float64Array(n / 2 || 1);
  const order = new Uint32Array(n);
  for (let k = 0; k < n / 2; k++) {
    cos[k] = Math.cos(2 * Math.PI * k / n);
    sin[k] = -Math.sin(2 * Math.PI * k / n);
  }
  const bits = Math.log2(n);
  for (let i = 0; i < n; i++) {
    let reversed = 0;
    for (let b = 0; b < bits; b++) if (i & (1 << b)) reversed |= 1 << (bits - 1 - b);
    order[i] = reversed;
  }
  return { cos, sin, order };
}

/** In place, Cooley & Tukey 1965, radix 2, forward without scaling. */
function transformLine(re: Float64Array, im: Float64Array, { cos, sin, order }: Twiddles): void {
  const n = re.length;
  for (let i = 0; i < n; i++) {
    const j = order[i];
    if (j > i) {
      const a = re[i];
      const b = im[i];
      re[i] = re[j];
      im[i] = im[j];
      re[j] = a;
      im[j] = b;
    }
  }
  for (let half = 1; half < n; half *= 2) {
    const stride = n / (2 * half);
    for (let start = 0; start < n; start += 2 * half) {
      for (let k = 0, t = 0; k < half; k++, t += stride) {
        const p = start + k;
        const q = p + half;
        const a = re[q] * cos[t] - im[q] * sin[t];
        const b = re[q] * sin[t] + im[q] * cos[t];
        re[q] = re[p] - a;
        im[q] = im[p] - b;
        re[p] += a;
        im[p] += b;
      }
    }
  }
}

/** Transform in place; `backwards` gives the inverse with its factor 1 / (width × height). */
export function transformPlane(plane: ComplexPlane, backwards: boolean): void {
  const { width, height, re, im } = plane;
  // the inverse is the forward transform with the parts exchanged
  const first = backwards ? im : re;
  const second = backwards ? re : im;
  const across = twiddles(width);
  for (let y = 0; y < height; y++) {
    transformLine(first.subarray(y * width, (y + 1) * width), second.subarray(y * width, (y + 1) * width), across);
  }
  const down = twiddles(height);
  const lanes = Math.min(8, width);
  const columns = Array.from({ length: lanes }, () => [new Float64Array(height), new Float64Array(height)] as const);
  for (let x = 0; x < width; x += lanes) {
    // several columns at a time, because a cache line holds eight numbers
    for (let y = 0; y < height; y++) {
      for (let k = 0, at = y * width + x; k < lanes; k++, at++) {
        columns[k][0][y] = first[at];
        columns[k][1][y] = second[at];
      }
    }
    for (let k = 0; k < lanes; k++) transformLine(columns[k][0], columns[k][1], down);
    for (let y = 0; y < height; y++) {
      for (let k = 0, at = y * width + x; k < lanes; k++, at++) {
        first[at] = columns[k][0][y];
        second[at] = columns[k][1][y];
      }
    }
  }
  if (backwards) {
    const scale = 1 / (width * height);
    for (let i = 0; i < re.length; i++) {
      re[i] *= scale;
      im[i] *= scale;
    }
  }
}
