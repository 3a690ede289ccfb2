/** Covers spline_curve.ts and curve_through.ts. */
import { describe, expect, it } from "vitest";
import { canonicalJson } from "../../lib/core/options.ts";
import {
  asinhCurve,
  curveOf,
  type CurveParameters,
  logCurve,
  powerCurve,
  rationalCurve,
  sigmoidCurve,
  splineCurve,
} from "../../lib/tone/curve.ts";
import { curveThrough } from "../../lib/tone/curve_through.ts";

const near = (actual: number, wanted: number, tolerance: number) =>
  expect(Math.abs(actual - wanted), `${actual} against ${wanted}`).toBeLessThanOrEqual(tolerance);

describe("curveOf", () => {
  it.each([[0.1, 0.29396533], [0.25, 0.54940249], [0.5, 0.77126964]] as const)(
    "asinh with bend 10 at %s: astropy 5.2.1, AsinhStretch(0.1)",
    (t, y) => near(curveOf({ family: "asinh", bend: 10 }).at(t), y, 1e-8),
  );

  it.each([[0.1, 0.66801047], [0.25, 0.79977552], [0.5, 0.89981571]] as const)(
    "log with bend 1000 at %s: astropy 5.2.1, LogStretch(1000)",
    (t, y) => near(curveOf({ family: "log", bend: 1000 }).at(t), y, 1e-8),
  );

  it.each(
    [[1, 0.17047051], [2, 0.25657773], [5, 0.37895354], [10, 0.47316245], [50, 0.69270271]] as const,
  )(
    "asinh at an intensity of %s: astropy 5.2.1, the map of lupton_rgb with stretch 5 and Q 8, as a share of 255",
    (I, y) => {
      // That map is 0.1 asinh(Q I / stretch) / asinh(0.1 Q): ours is the same curve up to where it reaches 1.
      const white = 5 / 8 * Math.sinh(Math.asinh(0.1 * 8) / 0.1);
      near(curveOf({ family: "asinh", bend: 8 * white / 5 }).at(I / white), y, 1e-7);
    },
  );

  it("rational and its mirrored form give the values of the formulas in Schlick 1994", () => {
    near(curveOf({ family: "rational", bias: 0.7 }).at(0.25), 0.4375, 1e-12);
    near(curveOf({ family: "rational", bias: 0.3 }).at(0.5), 0.3, 1e-12);
    near(curveOf({ family: "rationalContrast", gain: 0.25 }).at(0.25), 0.125, 1e-12);
    near(curveOf({ family: "rationalContrast", gain: 0.25 }).at(0.75), 0.875, 1e-12);
    near(curveOf({ family: "rationalContrast", gain: 0.7 }).at(0.25), 0.35, 1e-12);
  });

  it("two rational curves after one another are one whose odds are the product", () => {
    const first = curveOf({ family: "rational", bias: 0.6 });
    const second = curveOf({ family: "rational", bias: 0.8 });
    const odds = (0.6 / 0.4) * (0.8 / 0.2);
    const both = curveOf({ family: "rational", bias: odds / (1 + odds) });
    for (const t of [0.01, 0.2, 0.5, 0.9]) near(second.at(first.at(t)), both.at(t), 1e-12);
  });

  // Data of Fritsch & Carlson 1980 (RPN14); values of scipy 1.10.1, PchipInterpolator. t is mapped from 7.99 … 20.
  const x = [7.99, 8.09, 8.19, 8.7, 9.2, 10, 12, 15, 20];
  const y = [0, 2.76429e-5, 0.0437498, 0.169183, 0.469428, 0.94374, 0.998636, 0.999919, 0.999994];
  const scaled = (v: number) => (v - 7.99) / (20 - 7.99);
  const spline = curveOf({ family: "spline", points: x.map((v, i) => [scaled(v), y[i]] as const) });

  it.each(
    [
      [8.0, 2.76743e-7],
      [8.14, 0.01769717],
      [8.5, 0.11663258],
      [9.0, 0.33753433],
      [9.6, 0.76024764],
      [11, 0.98604336],
      [13.5, 0.99960336],
    ] as const,
  )("spline at %s: scipy PchipInterpolator on the RPN14 data", (v, wanted) => near(spline.at(scaled(v)), wanted, 1e-7));

  it("spline of four points: scipy PchipInterpolator", () => {
    const four = curveOf({ family: "spline", points: [[0, 0], [0.25, 0.15], [0.75, 0.85], [1, 1]] });
    near(four.at(0.1), 0.04549787, 1e-7);
    near(four.at(0.4), 0.33497872, 1e-7);
    near(four.at(0.6), 0.66502128, 1e-7);
    near(four.at(0.9), 0.95450213, 1e-7);
  });

  it("spline never falls and never leaves 0 … 1 on the RPN14 data, where a natural cubic does (1.1012, −0.0045)", () => {
    let last = -1;
    for (let t = 0; t <= 1; t += 1 / 4096) {
      const value = spline.at(t);
      expect(value).toBeGreaterThanOrEqual(last);
      expect(value).toBeLessThanOrEqual(1);
      last = value;
    }
  });

  const all: readonly CurveParameters[] = [
    { family: "asinh", bend: 300 },
    { family: "log", bend: 300 },
    { family: "power", exponent: 0.4 },
    { family: "rational", bias: 0.9 },
    { family: "rationalContrast", gain: 0.3 },
    { family: "sigmoid", contrast: 8, centre: 0.3 },
    { family: "spline", points: [[0, 0], [0.3, 0.5], [1, 1]] },
  ];
  it.each(all)("$family rises from 0 to 1, is undone by its inverse, and its slope is the derivative", (curve) => {
    const ready = curveOf(curve);
    near(ready.at(0), 0, 1e-15);
    near(ready.at(1), 1, 1e-15);
    expect(ready.at(-1)).toBe(ready.at(0));
    expect(ready.at(2)).toBe(ready.at(1));
    expect(ready.at(NaN)).toBeNaN();
    expect(ready.inverseAt(NaN)).toBeNaN();
    let last = -1;
    for (let k = 1; k < 200; k++) {
      const t = k / 200;
      const value = ready.at(t);
      expect(value).toBeGreaterThan(last);
      last = value;
      near(ready.inverseAt(value), t, 1e-10);
      const h = 1e-6;
      if (t !== 0.5 && t !== 0.3) near(ready.slopeAt(t) / ((ready.at(t + h) - ready.at(t - h)) / (2 * h)), 1, 1e-4);
    }
  });

  it("refuses what is no curve", () => {
    expect(() => curveOf({ family: "asinh", bend: 0 })).toThrow("bend must be > 0, but got 0");
    expect(() => curveOf({ family: "rational", bias: 1 })).toThrow("bias must lie inside 0 … 1, but got 1");
    expect(() => curveOf({ family: "power", exponent: NaN })).toThrow("exponent must be > 0, but got NaN");
    expect(() => curveOf({ family: "spline", points: [[0, 0], [0.5, 0.6], [1, 0.5]] })).toThrow("must never fall");
    expect(() => curveOf({ family: "spline", points: [[0.5, 0], [0.5, 1]] })).toThrow("must rise");
  });
});

describe("a curve as a value", () => {
  const values = [
    asinhCurve(30),
    logCurve(99),
    powerCurve(0.6),
    rationalCurve(0.7),
    sigmoidCurve(5, 0.4),
    splineCurve([[0, 0], [0.3, 0.5], [1, 1]]),
  ];

  it.each(values)("$family is frozen, and records, copies and comparisons see family and parameters alone", (curve) => {
    const parameters = JSON.parse(JSON.stringify(curve));
    expect(Object.isFrozen(curve)).toBe(true);
    expect(Object.keys(curve)).toEqual(Object.keys(parameters));
    expect(parameters.family).toBe(curve.family);
    expect(canonicalJson(curve)).toBe(canonicalJson(parameters));
    expect(structuredClone(curve)).toEqual(parameters);
    expect({ ...curve }).toEqual(parameters);
    expect(curveOf(parameters).at(0.3)).toBe(curve.at(0.3));
    expect(curveOf(curve)).toBe(curve);
  });

  it("refuses a stranger among its parameters, a family it does not know, and what is no object", () => {
    const strange = { family: "asinh", bend: 3, bias: 0.5 } as CurveParameters;
    expect(() => curveOf(strange)).toThrow('must have bend alone, but got "bias"');
    expect(() => curveOf({ family: "cosine" } as unknown as CurveParameters)).toThrow('but got "cosine"');
    expect(() => curveOf(3 as unknown as CurveParameters)).toThrow("must be an object with a family, but got number");
  });
});

describe("curveThrough", () => {
  it("solves for a target; the rational bias in closed form, the asinh bend by a root finder (scipy brentq)", () => {
    const bias = curveThrough("rational", [0.002, 0.147713]);
    const bend = curveThrough("asinh", [0.002, 0.147713]);
    near(bias.bias, 0.98856928, 1e-8);
    near(bend.bend, 630.67303, 1e-4);
    const other = curveThrough("asinh", [0.01, 0.147713]);
    near(other.bend, 82.862942, 1e-4);
  });

  it.each(["asinh", "log", "power", "rational"] as const)("%s meets its target", (family) => {
    near(curveThrough(family, [0.003, 0.2]).at(0.003), 0.2, 1e-12);
  });

  it("says when it cannot", () => {
    expect(() => curveThrough("asinh", [0.5, 0.2])).toThrow("to must be at least from");
    expect(() => curveThrough("asinh", [0, 0.2])).toThrow("from must lie inside 0 … 1, but got 0");
  });
});
