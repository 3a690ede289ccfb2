/** Tone curves as small values: each maps 0 … 1 onto 0 … 1, rises everywhere, and has an inverse. */
import { asinhPortable, expPortable, logPortable, powPortable, sinhPortable } from "../kernels/elementary.ts";
import { splineFunctions, type SplinePoints } from "./spline_curve.ts";

/**
 * What makes a tone curve: its family and parameters, as JSON can hold them. Records and recipes consist of these.
 *
 * | family | formula on t in 0 … 1 | source |
 * |---|---|---|
 * | `asinh` | asinh(bend · t) / asinh(bend) | Lupton, Gunn & Szalay 1999, AJ 118, 1406 |
 * | `log` | ln(1 + bend · t) / ln(1 + bend) | common practice, no source |
 * | `power` | t^exponent | common practice, no source |
 * | `rational` | t / ((1/bias − 2)(1 − t) + 1); ½ goes to `bias` | Schlick 1994, Graphics Gems IV, 401 |
 * | `rationalContrast` | two mirrored `rational` halves; ¼ goes to ½ · gain | Schlick 1994 |
 * | `sigmoid` | (s(t) − s(0)) / (s(1) − s(0)), s = 1 / (1 + e^(−contrast (t − centre))) | logistic function |
 * | `spline` | monotone cubic Hermite through the points | Fritsch & Butland 1984, SIAM JSSC 5, 300 |
 */
export type CurveParameters =
  | {
    /** Linear near 0, logarithmic above 1 / bend. */
    readonly family: "asinh";
    /** How strongly it bends; > 0. */
    readonly bend: number;
  }
  | {
    /** Logarithmic with an offset of 1 / bend. */
    readonly family: "log";
    /** How strongly it bends; > 0. */
    readonly bend: number;
  }
  | {
    /** A power. */
    readonly family: "power";
    /** Below 1 brightens; > 0. */
    readonly exponent: number;
  }
  | {
    /** A ratio of two linear functions. */
    readonly family: "rational";
    /** Where ½ goes; inside 0 … 1. */
    readonly bias: number;
  }
  | {
    /** Contrast about ½, from two rational halves. */
    readonly family: "rationalContrast";
    /** Twice the value of ¼; below ½ raises the contrast; inside 0 … 1. */
    readonly gain: number;
  }
  | {
    /** Contrast about a centre. */
    readonly family: "sigmoid";
    /** Steepness; > 0. */
    readonly contrast: number;
    /** Where it is steepest, 0 … 1. */
    readonly centre: number;
  }
  | {
    /** A smooth rising curve through points. */
    readonly family: "spline";
    /**
     * Points [t, y], t rising strictly, y never falling, within 0 … 1. Left of the first and right of the last it is
     * flat.
     */
    readonly points: SplinePoints;
  };

/** Name of a family of curves. */
export type CurveFamily = CurveParameters["family"];

/** What a curve can be asked. */
export interface CurveFunctions {
  /** y at t; t is clamped to 0 … 1, NaN stays NaN. */
  readonly at: (t: number) => number;
  /** t at y; y is clamped to 0 … 1, NaN stays NaN. */
  readonly inverseAt: (y: number) => number;
  /** dy/dt at t. */
  readonly slopeAt: (t: number) => number;
}

/**
 * A tone curve: its family and parameters, and what it makes of a level. The functions are not enumerable, so a record,
 * a copy for a worker and a comparison see family and parameters alone.
 */
export type Curve<Family extends CurveFamily = CurveFamily> =
  & Extract<CurveParameters, { readonly family: Family }>
  & CurveFunctions;

const inside = (x: number) => x < 0 ? 0 : x > 1 ? 1 : x;

/** Refuse a parameter out of range. */
function requireParameter(holds: boolean, rule: string, value: unknown): void {
  if (!holds) throw new RangeError(`curve: ${rule}, but got ${value}`);
}

function asinhFunctions(bend: number): CurveFunctions {
  requireParameter(bend > 0 && Number.isFinite(bend), "bend must be > 0", bend);
  const top = asinhPortable(bend);
  const gain = 1 / top;
  return {
    at: (t) => gain * asinhPortable(bend * inside(t)),
    inverseAt: (y) => sinhPortable(top * inside(y)) / bend,
    slopeAt: (t) => gain * bend / Math.sqrt(1 + bend * bend * t * t),
  };
}

function logFunctions(bend: number): CurveFunctions {
  requireParameter(bend > 0 && Number.isFinite(bend), "bend must be > 0", bend);
  const top = logPortable(1 + bend);
  return {
    at: (t) => logPortable(1 + bend * inside(t)) / top,
    inverseAt: (y) => (expPortable(top * inside(y)) - 1) / bend,
    slopeAt: (t) => bend / (top * (1 + bend * t)),
  };
}

function powerFunctions(exponent: number): CurveFunctions {
  requireParameter(exponent > 0 && Number.isFinite(exponent), "exponent must be > 0", exponent);
  const raise = (t: number, p: number) => t <= 0 ? 0 : t >= 1 ? 1 : powPortable(t, p);
  return {
    at: (t) => raise(t, exponent),
    inverseAt: (y) => raise(y, 1 / exponent),
    slopeAt: (t) => t <= 0 ? (exponent < 1 ? Infinity : exponent > 1 ? 0 : 1) : exponent * powPortable(t, exponent - 1),
  };
}

function rationalFunctions(bias: number): CurveFunctions {
  requireParameter(bias > 0 && bias < 1, "bias must lie inside 0 … 1", bias);
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

function rationalContrastFunctions(gain: number): CurveFunctions {
  requireParameter(gain > 0 && gain < 1, "gain must lie inside 0 … 1", gain);
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

function sigmoidFunctions(contrast: number, centre: number): CurveFunctions {
  requireParameter(contrast > 0 && Number.isFinite(contrast), "contrast must be > 0", contrast);
  requireParameter(centre >= 0 && centre <= 1, "centre must lie within 0 … 1", centre);
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

function functionsOf(curve: CurveParameters): CurveFunctions {
  switch (curve.family) {
    case "asinh":
      return asinhFunctions(curve.bend);
    case "log":
      return logFunctions(curve.bend);
    case "power":
      return powerFunctions(curve.exponent);
    case "rational":
      return rationalFunctions(curve.bias);
    case "rationalContrast":
      return rationalContrastFunctions(curve.gain);
    case "sigmoid":
      return sigmoidFunctions(curve.contrast, curve.centre);
    case "spline":
      return splineFunctions(curve.points);
    default: {
      const { family }: { readonly family?: unknown } = curve ?? {};
      throw new RangeError(
        `curve: family must be "asinh", "log", "power", "rational", "rationalContrast", "sigmoid" or "spline", ` +
          `but got ${JSON.stringify(family)}`,
      );
    }
  }
}

/** The parameters of each family, by which strangers among them are refused. */
const parameterNames: Readonly<Record<CurveFamily, readonly string[]>> = Object.freeze({
  asinh: ["bend"],
  log: ["bend"],
  power: ["exponent"],
  rational: ["bias"],
  rationalContrast: ["gain"],
  sigmoid: ["contrast", "centre"],
  spline: ["points"],
});

/**
 * The curve of a family and its parameters, as they stand in a recipe or a record. A curve is returned as it is.
 *
 * @throws {TypeError} if it is no object, or has a parameter that the family does not know
 * @throws {RangeError} if there is no such family, or a parameter is outside its range
 *
 * @example The inverse undoes the curve
 * ```ts
 * import assert from "node:assert/strict";
 * import { curveOf } from "faintlight/parts";
 *
 * const curve = curveOf({ family: "asinh", bend: 10 });
 * assert.ok(Math.abs(curve.at(0.25) - 0.5494024) < 1e-7);
 * assert.ok(Math.abs(curve.inverseAt(curve.at(0.3)) - 0.3) < 1e-12);
 * ```
 */
export function curveOf(curve: CurveParameters): Curve {
  if (typeof curve !== "object" || curve === null) {
    throw new TypeError(
      `curve: a curve must be an object with a family, but got ${curve === null ? "null" : typeof curve}`,
    );
  }
  if ("at" in curve && typeof curve.at === "function" && Object.isFrozen(curve)) return curve as Curve;
  const functions = functionsOf(curve);
  const stranger = Object.keys(curve).find((name) => name !== "family" && !parameterNames[curve.family].includes(name));
  if (stranger !== undefined) {
    throw new TypeError(
      `curve: a curve of family "${curve.family}" must have ${parameterNames[curve.family].join(" and ")} alone, ` +
        `but got "${stranger}"`,
    );
  }
  const value = { ...curve };
  for (const [name, run] of Object.entries(functions)) Object.defineProperty(value, name, { value: run });
  return Object.freeze(value) as Curve;
}

/**
 * A curve that is linear near black and logarithmic above 1 / bend (Lupton, Gunn & Szalay 1999, AJ 118, 1406).
 *
 * @param bend how strongly it bends; > 0
 * @throws {RangeError} if the bend is not above 0
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { asinhCurve } from "faintlight";
 *
 * assert.ok(Math.abs(asinhCurve(10).at(0.25) - 0.5494024) < 1e-7);
 * assert.equal(JSON.stringify(asinhCurve(10)), '{"family":"asinh","bend":10}');
 * ```
 */
export const asinhCurve = (bend: number): Curve<"asinh"> => curveOf({ family: "asinh", bend }) as Curve<"asinh">;

/**
 * A logarithm with an offset of 1 / bend.
 *
 * @param bend how strongly it bends; > 0
 * @throws {RangeError} if the bend is not above 0
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { logCurve } from "faintlight";
 *
 * assert.ok(Math.abs(logCurve(1000).at(0.5) - 0.8998158) < 1e-7);
 * ```
 */
export const logCurve = (bend: number): Curve<"log"> => curveOf({ family: "log", bend }) as Curve<"log">;

/**
 * A power; 0.5 makes photon noise even (Bartlett 1936, J. R. Stat. Soc. Suppl. 3, 68).
 *
 * @param exponent below 1 brightens; > 0
 * @throws {RangeError} if the exponent is not above 0
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { powerCurve } from "faintlight";
 *
 * assert.equal(powerCurve(0.5).at(0.25), 0.5);
 * ```
 */
export const powerCurve = (exponent: number): Curve<"power"> =>
  curveOf({ family: "power", exponent }) as Curve<"power">;

/**
 * A ratio of two linear functions: the cheapest curve (Schlick 1994, Graphics Gems IV, 401).
 *
 * @param bias where ½ goes; inside 0 … 1
 * @throws {RangeError} if the bias is outside its range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { rationalCurve } from "faintlight";
 *
 * assert.equal(rationalCurve(0.75).at(0.5), 0.75);
 * ```
 */
export const rationalCurve = (bias: number): Curve<"rational"> =>
  curveOf({ family: "rational", bias }) as Curve<"rational">;

/**
 * Contrast about a centre, by the logistic function.
 *
 * @param contrast steepness; > 0
 * @param centre where it is steepest, 0 … 1
 * @throws {RangeError} if a parameter is outside its range
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { sigmoidCurve } from "faintlight";
 *
 * assert.ok(Math.abs(sigmoidCurve(6, 0.5).at(0.5) - 0.5) < 1e-12);
 * ```
 */
export const sigmoidCurve = (contrast: number, centre: number): Curve<"sigmoid"> =>
  curveOf({ family: "sigmoid", contrast, centre }) as Curve<"sigmoid">;

/**
 * A smooth rising curve through points, which never overshoots (Fritsch & Butland 1984, SIAM JSSC 5, 300).
 *
 * @param points [t, y], t rising strictly, y never falling, within 0 … 1
 * @throws {RangeError} if the points do not rise or leave 0 … 1
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { splineCurve } from "faintlight";
 *
 * assert.equal(splineCurve([[0, 0], [0.25, 0.4], [1, 1]]).at(0.25), 0.4);
 * ```
 */
export const splineCurve = (points: SplinePoints): Curve<"spline"> =>
  curveOf({ family: "spline", points }) as Curve<"spline">;
