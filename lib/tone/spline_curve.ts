/** A smooth rising curve through points: monotone cubic Hermite pieces (Fritsch & Butland 1984, SIAM JSSC 5, 300). */
import type { CurveFunctions } from "./curve.ts";

/** Points of a spline: [t, y], both within 0 … 1. */
export type SplinePoints = readonly (readonly [number, number])[];

const refuse = (rule: string, value: unknown): RangeError => new RangeError(`curve: ${rule}, but got ${value}`);

/** Refuse points no rising curve can pass through. */
function requirePoints(points: SplinePoints): void {
  if (points.length < 2) throw refuse("a spline must have at least two points", points.length);
  points.forEach(([x, y], i) => {
    if (!(x >= 0 && x <= 1 && y >= 0 && y <= 1)) throw refuse("points must lie within 0 … 1", `[${x}, ${y}]`);
    if (i === 0) return;
    const [lastX, lastY] = points[i - 1];
    if (!(x > lastX)) throw refuse("t of the points must rise", `${x} after ${lastX}`);
    if (!(y >= lastY)) throw refuse("y of the points must never fall", `${y} after ${lastY}`);
  });
}

/** Slope at an end by the three-point formula, held so that the curve keeps its shape. */
function endSlope(h0: number, h1: number, d0: number, d1: number): number {
  const slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);
  if (!(slope > 0)) return 0;
  return d0 * d1 <= 0 && slope > 3 * d0 ? 3 * d0 : slope;
}

/** Slopes at the points: weighted harmonic means of the neighbouring secants. */
function slopesAtPoints(h: readonly number[], d: readonly number[]): number[] {
  const n = h.length + 1;
  const m = new Array<number>(n).fill(0);
  for (let i = 1; i + 1 < n; i++) {
    if (d[i - 1] > 0 && d[i] > 0) {
      const w1 = 2 * h[i] + h[i - 1];
      const w2 = h[i] + 2 * h[i - 1];
      m[i] = (w1 + w2) / (w1 / d[i - 1] + w2 / d[i]);
    }
  }
  m[0] = n === 2 ? d[0] : endSlope(h[0], h[1], d[0], d[1]);
  m[n - 1] = n === 2 ? d[0] : endSlope(h[n - 2], h[n - 3], d[n - 2], d[n - 3]);
  return m;
}

/** Number of the piece that holds a value of a rising list. */
function pieceOf(list: readonly number[], value: number): number {
  let low = 0;
  let high = list.length - 2;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (list[middle] <= value) low = middle;
    else high = middle - 1;
  }
  return low;
}

/** Functions of a spline; flat left of the first point and right of the last. */
export function splineFunctions(points: SplinePoints): CurveFunctions {
  requirePoints(points);
  const n = points.length;
  const x = points.map((p) => p[0]);
  const y = points.map((p) => p[1]);
  const h = x.slice(1).map((right, i) => right - x[i]);
  const m = slopesAtPoints(h, h.map((width, i) => (y[i + 1] - y[i]) / width));
  const hermite = (i: number, s: number): number => {
    const c = h[i] * m[i];
    const e = h[i] * m[i + 1];
    const rise = y[i + 1] - y[i];
    return y[i] + s * (c + s * (3 * rise - 2 * c - e + s * (c + e - 2 * rise)));
  };
  return {
    at: (t) => {
      if (!(t > x[0])) return t <= x[0] ? y[0] : NaN;
      if (t >= x[n - 1]) return y[n - 1];
      const i = pieceOf(x, t);
      return hermite(i, (t - x[i]) / h[i]);
    },
    inverseAt: (value) => {
      if (!(value > y[0])) return value <= y[0] ? x[0] : NaN;
      if (value >= y[n - 1]) return x[n - 1];
      const i = pieceOf(y, value);
      let low = 0;
      let high = 1;
      for (let k = 0; k < 60; k++) {
        const s = (low + high) / 2;
        if (hermite(i, s) < value) low = s;
        else high = s;
      }
      return x[i] + h[i] * (low + high) / 2;
    },
    slopeAt: (t) => {
      if (!(t >= x[0] && t <= x[n - 1])) return 0;
      const i = pieceOf(x, t);
      const s = (t - x[i]) / h[i];
      const c = h[i] * m[i];
      const e = h[i] * m[i + 1];
      const rise = y[i + 1] - y[i];
      return (c + s * (2 * (3 * rise - 2 * c - e) + 3 * s * (c + e - 2 * rise))) / h[i];
    },
  };
}
