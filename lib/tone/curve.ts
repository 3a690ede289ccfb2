/** Tone curves as small values: each maps 0 … 1 onto 0 … 1, rises everywhere, and has an inverse. */
import { asinhPortable, expPortable, logPortable, powPortable, sinhPortable } from "../kernels/elementary.ts";

/**
 * A tone curve.
 *
 * | kind | formula on t in 0 … 1 | source |
 * |---|---|---|
 * | `asinh` | asinh(bend · t) / asinh(bend) | Lupton, Gunn & Szalay 1999, AJ 118, 1406 |
 * | `log` | ln(1 + bend · t) / ln(1 + bend) | common practice, no source |
 * | `power` | t^exponent | common practice, no source |
 * | `rational` | t / ((1/bias − 2)(1 − t) + 1); ½ goes to `bias` | Schlick 1994, Graphics Gems IV, 401 |
 * | `rationalContrast` | two mirrored `rational` halves; ¼ goes to ½ · gain | Schlick 1994 |
 * | `sigmoid` | (s(t) − s(0)) / (s(1) − s(0)), s = 1 / (1 + e^(−contrast (t − centre))) | logistic function |
 * | `spline` | monotone cubic Hermite through the points | Fritsch & Butland 1984, SIAM JSSC 5, 300 |
 */
export type Curve =
  | {
    /** Linear near 0, logarithmic above 1 / bend. */
    readonly kind: "asinh";
    /** How strongly it bends; > 0. */
    readonly bend: number;
  }
  | {
    /** Logarithmic with an offset of 1 / bend. */
    readonly kind: "log";
    /** How strongly it bends; > 0. */
    readonly bend: number;
  }
  | {
    /** A power. */
    readonly kind: "power";
    /** Below 1 brightens; > 0. */
    readonly exponent: number;
  }
  | {
    /** A ratio of two linear functions. */
    readonly kind: "rational";
    /** Where ½ goes; inside 0 … 1. */
    readonly bias: number;
  }
  | {
    /** Contrast about ½, from two rational halves. */
    readonly kind: "rationalContrast";
    /** Twice the value of ¼; below ½ raises the contrast; inside 0 … 1. */
    readonly gain: number;
  }
  | {
    /** Contrast about a centre. */
    readonly kind: "sigmoid";
    /** Steepness; > 0. */
    readonly contrast: number;
    /** Where it is clipLimit, 0 … 1. */
    readonly centre: number;
  }
  | {
    /** A smooth rising curve through points. */
    readonly kind: "spline";
    /**
     * Points [t, y], t rising strictly, y never falling, within 0 … 1. Left of the first and right of the last it is
     * flat.
     */
    readonly points: readonly (readonly [number, number])[];
  };

/** A curve made ready for many values. */
export interface PreparedCurve {
  /** y at t; t is clamped to 0 … 1, NaN stays NaN. */
  readonly at: (t: number) => number;
  /** t at y; y is clamped to 0 … 1, NaN stays NaN. */
  readonly inverseAt: (y: number) => number;
  /** dy/dt at t. */
  readonly slopeAt: (t: number) => number;
}

const refuse = (rule: string, value: unknown): RangeError => new RangeError(`curve: ${rule}, but got ${value}`);
const inside = (x: number) => x < 0 ? 0 : x > 1 ? 1 : x;

function prepareSpline(points: readonly (readonly [number, number])[]): PreparedCurve {
  const n = points.length;
  if (n < 2) throw refuse("a spline must have at least two points", n);
  const x = points.map((p) => p[0]);
  const y = points.map((p) => p[1]);
  for (let i = 0; i < n; i++) {
    if (!(x[i] >= 0 && x[i] <= 1 && y[i] >= 0 && y[i] <= 1)) {
      throw refuse("points must lie within 0 … 1", `[${x[i]}, ${y[i]}]`);
    }
    if (i > 0 && !(x[i] > x[i - 1])) throw refuse("t of the points must rise", `${x[i]} after ${x[i - 1]}`);
    if (i > 0 && !(y[i] >= y[i - 1])) throw refuse("y of the points must never fall", `${y[i]} after ${y[i - 1]}`);
  }
  const h: number[] = [];
  const d: number[] = [];
  for (let i = 0; i + 1 < n; i++) {
    h.push(x[i + 1] - x[i]);
    d.push((y[i + 1] - y[i]) / h[i]);
  }
  // Weighted harmonic mean of the neighbouring secants; the ends use the three-point formula, held to the shape.
  const m = new Array<number>(n).fill(0);
  for (let i = 1; i + 1 < n; i++) {
    if (d[i - 1] > 0 && d[i] > 0) {
      const w1 = 2 * h[i] + h[i - 1];
      const w2 = h[i] + 2 * h[i - 1];
      m[i] = (w1 + w2) / (w1 / d[i - 1] + w2 / d[i]);
    }
  }
  const end = (h0: number, h1: number, d0: number, d1: number): number => {
    const slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);
    if (!(slope > 0)) return 0;
    return d0 * d1 <= 0 && slope > 3 * d0 ? 3 * d0 : slope;
  };
  m[0] = n === 2 ? d[0] : end(h[0], h[1], d[0], d[1]);
  m[n - 1] = n === 2 ? d[0] : end(h[n - 2], h[n - 3], d[n - 2], d[n - 3]);
  const find = (list: readonly number[], value: number): number => {
    let low = 0;
    let high = n - 2;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (list[middle] <= value) low = middle;
      else high = middle - 1;
    }
    return low;
  };
  const hermite = (i: number, s: number): number => {
    const c = h[i] * m[i];
    const e = h[i] * m[i + 1];
    const rise = y[i + 1] - y[i];
    return y[i] + s * (c + s * (3 * rise - 2 * c - e + s * (c + e - 2 * rise)));
  };
  const at = (t: number): number => {
    if (!(t > x[0])) return t <= x[0] ? y[0] : NaN;
    if (t >= x[n - 1]) return y[n - 1];
    const i = find(x, t);
    return hermite(i, (t - x[i]) / h[i]);
  };
  const slopeAt = (t: number): number => {
    if (!(t >= x[0] && t <= x[n - 1])) return 0;
    const i = find(x, t);
    const s = (t - x[i]) / h[i];
    const c = h[i] * m[i];
    const e = h[i] * m[i + 1];
    const rise = y[i + 1] - y[i];
    return (c + s * (2 * (3 * rise - 2 * c - e) + 3 * s * (c + e - 2 * rise))) / h[i];
  };
  const inverseAt = (value: number): number => {
    if (!(value > y[0])) return value <= y[0] ? x[0] : NaN;
    if (value >= y[n - 1]) return x[n - 1];
    const i = find(y, value);
    let low = 0;
    let high = 1;
    for (let k = 0; k < 60; k++) {
      const s = (low + high) / 2;
      if (hermite(i, s) < value) low = s;
      else high = s;
    }
    return x[i] + h[i] * (low + high) / 2;
  };
  return { at, inverseAt, slopeAt };
}

/**
 * Make a curve ready for many values.
 *
 * @throws {RangeError} if a parameter is outside its range
 *
 * @example The inverse undoes the curve
 * ```ts
 * import assert from "node:assert/strict";
 * import { prepareCurve } from "lib/tone/curve.ts";
 *
 * const curve = prepareCurve({ kind: "asinh", bend: 10 });
 * assert.ok(Math.abs(curve.at(0.25) - 0.5494024) < 1e-7);
 * assert.ok(Math.abs(curve.inverseAt(curve.at(0.3)) - 0.3) < 1e-12);
 * ```
 */
export function prepareCurve(curve: Curve): PreparedCurve {
  switch (curve.kind) {
    case "asinh": {
      const { bend } = curve;
      if (!(bend > 0 && Number.isFinite(bend))) throw refuse("bend must be > 0", bend);
      const top = asinhPortable(bend);
      const gain = 1 / top;
      return {
        at: (t) => gain * asinhPortable(bend * inside(t)),
        inverseAt: (y) => sinhPortable(top * inside(y)) / bend,
        slopeAt: (t) => gain * bend / Math.sqrt(1 + bend * bend * t * t),
      };
    }
    case "log": {
      const { bend } = curve;
      if (!(bend > 0 && Number.isFinite(bend))) throw refuse("bend must be > 0", bend);
      const top = logPortable(1 + bend);
      return {
        at: (t) => logPortable(1 + bend * inside(t)) / top,
        inverseAt: (y) => (expPortable(top * inside(y)) - 1) / bend,
        slopeAt: (t) => bend / (top * (1 + bend * t)),
      };
    }
    case "power": {
      const { exponent } = curve;
      if (!(exponent > 0 && Number.isFinite(exponent))) throw refuse("exponent must be > 0", exponent);
      const raise = (t: number, p: number) => t <= 0 ? 0 : t >= 1 ? 1 : powPortable(t, p);
      return {
        at: (t) => raise(t, exponent),
        inverseAt: (y) => raise(y, 1 / exponent),
        slopeAt: (t) =>
          t <= 0 ? (exponent < 1 ? Infinity : exponent > 1 ? 0 : 1) : exponent * powPortable(t, exponent - 1),
      };
    }
    case "rational": {
      const { bias } = curve;
      if (!(bias > 0 && bias < 1)) throw refuse("bias must lie inside 0 … 1", bias);
      const c = 1 / bias - 2;
      const at = (t: number, k: number) => t / (k * (1 - t) + 1);
      // The inverse of the curve with odds a / (1 − a) is the curve with the odds turned over.
      const back = 1 / (1 - bias) - 2;
      return {
        at: (t) => at(inside(t), c),
        inverseAt: (y) => at(inside(y), back),
        slopeAt: (t) => (c + 1) / ((c * (1 - t) + 1) * (c * (1 - t) + 1)),
      };
    }
    case "rationalContrast": {
      const { gain } = curve;
      if (!(gain > 0 && gain < 1)) throw refuse("gain must lie inside 0 … 1", gain);
      const bias = (t: number, a: number) => t / ((1 / a - 2) * (1 - t) + 1);
      const at = (t: number, a: number) => t < 0.5 ? bias(2 * t, a) / 2 : 1 - bias(2 - 2 * t, a) / 2;
      return {
        at: (t) => at(inside(t), gain),
        inverseAt: (y) => at(inside(y), 1 - gain),
        slopeAt: (t) => {
          const c = 1 / gain - 2;
          const u = t < 0.5 ? 2 * t : 2 - 2 * t;
          return (c + 1) / ((c * (1 - u) + 1) * (c * (1 - u) + 1));
        },
      };
    }
    case "sigmoid": {
      const { contrast, centre } = curve;
      if (!(contrast > 0 && Number.isFinite(contrast))) throw refuse("contrast must be > 0", contrast);
      if (!(centre >= 0 && centre <= 1)) throw refuse("centre must lie within 0 … 1", centre);
      const s = (t: number) => 1 / (1 + expPortable(-contrast * (t - centre)));
      const low = s(0);
      const range = s(1) - low;
      return {
        at: (t) => (s(inside(t)) - low) / range,
        inverseAt: (y) => {
          const v = low + range * inside(y);
          return inside(centre - logPortable(1 / v - 1) / contrast);
        },
        slopeAt: (t) => contrast * s(t) * (1 - s(t)) / range,
      };
    }
    case "spline":
      return prepareSpline(curve.points);
  }
}

/**
 * The curve of a kind that takes `from` to `to`: how an automatic stretch puts the sky where it is wanted.
 * `asinh` and `log` are solved by bisection in ln bend (60 halvings), the others in closed form.
 *
 * @param kind which family
 * @param from position of the level, inside 0 … 1
 * @param to where it shall be drawn, inside 0 … 1; for `asinh` and `log` at least `from`
 * @throws {RangeError} if no curve of the family does it
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { curveThrough } from "faintlight";
 * import { prepareCurve } from "lib/tone/curve.ts";
 *
 * const curve = curveThrough("asinh", 0.002, 0.147713);
 * assert.ok(Math.abs(prepareCurve(curve).at(0.002) - 0.147713) < 1e-12);
 * ```
 */
export function curveThrough<Kind extends "asinh" | "log" | "power" | "rational">(
  kind: Kind,
  from: number,
  to: number,
): Extract<Curve, { readonly kind: Kind }> {
  return solveThrough(kind, from, to) as Extract<Curve, { readonly kind: Kind }>;
}

function solveThrough(kind: "asinh" | "log" | "power" | "rational", from: number, to: number): Curve {
  if (!(from > 0 && from < 1)) throw new RangeError(`curveThrough: from must lie inside 0 … 1, but got ${from}`);
  if (!(to > 0 && to < 1)) throw new RangeError(`curveThrough: to must lie inside 0 … 1, but got ${to}`);
  if (kind === "power") return { kind, exponent: logPortable(to) / logPortable(from) };
  if (kind === "rational") {
    return { kind, bias: to * (1 - from) / (to * (1 - from) + from * (1 - to)) };
  }
  if (!(to >= from)) {
    throw new RangeError(`curveThrough: to must be at least from for kind "${kind}", but got ${to} < ${from}`);
  }
  const drawn = (bend: number) =>
    kind === "asinh"
      ? asinhPortable(bend * from) / asinhPortable(bend)
      : logPortable(1 + bend * from) / logPortable(1 + bend);
  // A bend of 1e-4 is a straight line to nine digits; 1e15 lies beyond any range a sensor has.
  let low = logPortable(1e-4);
  let high = logPortable(1e15);
  if (drawn(1e15) < to) {
    throw new RangeError(`curveThrough: no ${kind} curve lifts ${from} to ${to}; choose a lower target`);
  }
  for (let k = 0; k < 60; k++) {
    const middle = (low + high) / 2;
    if (drawn(expPortable(middle)) < to) low = middle;
    else high = middle;
  }
  return { kind, bend: expPortable((low + high) / 2) };
}
