/** Covers fit_thin_plate.ts, plane_reduction.ts, tridiagonal.ts and render_thin_plate.ts. */
import { describe, expect, it } from "vitest";
import { readFileSync } from "node:fs";
import { randomStream } from "../../lib/core/random.ts";
import { fitThinPlate } from "../../lib/surfaces/fit_thin_plate.ts";
import { renderThinPlate } from "../../lib/surfaces/render_thin_plate.ts";
import { thinPlateAt } from "../../lib/surfaces/thin_plate.ts";

const stored = JSON.parse(
  readFileSync(new URL("../../fixtures/register/thin_plate.json", import.meta.url), "utf8"),
);
type Place = readonly [number, number];
const column = (places: readonly Place[], axis: 0 | 1) => places.map((each) => each[axis]);
const unit: readonly Place[] = [[0, 0], [1, 0], [0, 1], [1, 1], [0.5, 0.5]];
const peak = [0, 0, 0, 0, 1];

describe("fitThinPlate", () => {
  // solvable by hand: four equal corner coefficients, one centre coefficient, and a constant
  it("solves the unit square done by hand", () => {
    const spline = fitThinPlate(column(unit, 0), column(unit, 1), peak, { smoothing: 0 });
    expect(spline.bend[0]).toBeCloseTo(-1 / (3 * Math.LN2), 10);
    expect(spline.bend[4]).toBeCloseTo(4 / (3 * Math.LN2), 10);
    expect(spline.plane[0]).toBeCloseTo(2 / 3, 10);
  });

  // scipy.interpolate.RBFInterpolator, kernel thin_plate_spline, same smoothing; 1e-8 leaves room for its solver
  it("agrees with scipy with and without smoothing", () => {
    const cases = [
      ...stored.unit.map((each: object) => ({ ...each, points: unit, values: peak })),
      ...stored.six.cases.map((each: object) => ({ ...each, points: stored.six.points, values: stored.six.values })),
      ...stored.cloud.cases.map((each: object) => ({
        ...each,
        points: stored.cloud.points,
        values: stored.cloud.values,
      })),
    ];
    expect(cases.length).toBe(8);
    for (const { points, values, smoothing, at, value } of cases) {
      const spline = fitThinPlate(column(points, 0), column(points, 1), values, { smoothing });
      at.forEach(([x, y]: Place, i: number) => {
        expect(Math.abs(thinPlateAt(spline, x, y) - value[i])).toBeLessThan(1e-8);
      });
    }
  });

  // The values of a table made with scipy 1.10.1's RBFInterpolator, written out: what the fixture holds must be they.
  it("gives the tabled values for the unit square and for six points", () => {
    const at = (places: readonly Place[], values: readonly number[], smoothing: number, x: number, y: number) =>
      thinPlateAt(fitThinPlate(column(places, 0), column(places, 1), values, { smoothing }), x, y);
    expect(at(unit, peak, 0, 0.25, 0.25)).toBeCloseTo(0.58857071, 8);
    expect(at(unit, peak, 0, 0.5, 0)).toBeCloseTo(0.36586329, 8);
    expect(at(unit, peak, 0, 2, 2)).toBeCloseTo(-1.02677182, 8);
    expect(at(unit, peak, 0.1, 0.5, 0.5)).toBeCloseTo(0.84492767, 8);
    expect(at(unit, peak, 0.1, 0, 0)).toBeCloseTo(0.03876808, 8);
    expect(at(unit, peak, 1, 0.5, 0.5)).toBeCloseTo(0.43498368, 8);
    expect(at(unit, peak, 1, 0, 0)).toBeCloseTo(0.14125408, 8);
    const six: readonly Place[] = [[10, 12], [85, 9], [50, 40], [15, 88], [92, 95], [60, 70]];
    const z = [102, 110, 107, 99, 118, 111];
    expect(at(six, z, 0, 50, 50)).toBeCloseTo(107.57501915, 7);
    expect(at(six, z, 0, 0, 0)).toBeCloseTo(100.51116685, 7);
    expect(at(six, z, 0, 100, 100)).toBeCloseTo(119.52329823, 7);
    expect(at(six, z, 100, 50, 50)).toBeCloseTo(107.58215373, 7);
    expect(at(six, z, 100, 0, 0)).toBeCloseTo(100.40982822, 7);
    expect(at(six, z, 100, 100, 100)).toBeCloseTo(119.51994198, 7);
    expect(at(six, z, 100, 10, 12)).toBeCloseTo(101.93051931, 7);
    // Planes are in the null space: whatever the smoothing, they come back.
    const plane = six.map(([x, y]) => 2 + 0.3 * x - 0.1 * y);
    for (const smoothing of [0, 1, 100, 1e6]) {
      expect(Math.abs(at(six, plane, smoothing, 33, 44) - 7.5)).toBeLessThan(1e-9);
    }
  });

  it("does not depend on the unit of the coordinates", () => {
    const { points, values } = stored.six;
    const small = fitThinPlate(column(points, 0), column(points, 1), values, { smoothing: 100 });
    const large = fitThinPlate(
      column(points, 0).map((x) => 10 * x + 7),
      column(points, 1).map((y) => 10 * y),
      values,
      { smoothing: 10000 },
    );
    expect(thinPlateAt(large, 337, 440)).toBeCloseTo(thinPlateAt(small, 33, 44), 9);
  });

  const waves = (seed: number, noise: number, count = 150) => {
    const random = randomStream(seed);
    const x = Array.from({ length: count }, () => 1000 * random.uniform());
    const y = Array.from({ length: count }, () => 700 * random.uniform());
    const truth = (px: number, py: number) => 10 * Math.sin(px / 250) * Math.cos(py / 300) + px / 100;
    return { x, y, truth, z: x.map((px, i) => truth(px, y[i]) + noise * random.gaussian()) };
  };

  it("chooses a stiffness that comes near the best that could have been chosen", () => {
    for (const how of ["gcv", "loo"] as const) {
      for (const seed of [1, 2, 3]) {
        const { x, y, z, truth } = waves(seed, 1);
        const errorOf = (smoothing: number | "gcv" | "loo") => {
          const spline = fitThinPlate(x, y, z, { smoothing });
          let sum = 0;
          x.forEach((px, i) => sum += (thinPlateAt(spline, px, y[i]) - truth(px, y[i])) ** 2);
          return Math.sqrt(sum / x.length);
        };
        const best = Math.min(...Array.from({ length: 17 }, (_, k) => errorOf(10 ** (k / 2))));
        // Craven & Wahba (1979): the expected loss of GCV approaches the least; a third more at n = 150 is seen
        expect(errorOf(how)).toBeLessThan(1.35 * best);
      }
    }
  });

  it("gives the noise and the degrees of freedom their due", () => {
    const { x, y, z } = waves(5, 1);
    const { rms, degreesOfFreedom, predictionError } = fitThinPlate(x, y, z);
    // residual variance = σ² (1 − p/n), known to √(2/n) = 12 % in variance, 6 % in sigma; three of these
    expect(Math.abs(rms / Math.sqrt(1 - degreesOfFreedom / 150) - 1)).toBeLessThan(0.18);
    expect(predictionError).toBeGreaterThan(rms);
    const random = randomStream(6);
    const flat = fitThinPlate(x, y, x.map(() => random.gaussian()));
    expect(flat.degreesOfFreedom).toBeLessThan(12);
  });

  it("lets a heavy value pull as many equal ones do", () => {
    const x = [0, 10, 0, 10, 5];
    const y = [0, 0, 10, 10, 5];
    const z = [0, 1, 2, 3, 9];
    const heavy = fitThinPlate(x, y, z, { smoothing: 50, weights: [1, 1, 1, 1, 3] });
    const many = fitThinPlate([...x, 5, 5], [...y, 5, 5], [...z, 9, 9], { smoothing: 50 });
    expect(thinPlateAt(heavy, 3, 4)).toBeCloseTo(thinPlateAt(many, 3, 4), 9);
  });

  it("names what is wrong", () => {
    expect(() => fitThinPlate([0, 1], [0, 1], [0, 1])).toThrow("fitThinPlate: values must be at least 3, but got 2");
    expect(() => fitThinPlate([0, 1, 2], [0, 1, 2], [1, 2, 3])).toThrow(/must not lie on one line/);
    expect(() => fitThinPlate([0, 1, 0, 0], [0, 0, 1, 0], [1, 2, 3, 4], { smoothing: 0 })).toThrow(/some coincide/);
    expect(() => fitThinPlate([0, 1, 0], [0, 0, 1], [1, NaN, 3])).toThrow(/must be finite, but number 1 is not/);
    expect(() => fitThinPlate([0, 1, 0], [0, 0, 1], [1, 2, 3], { smoothing: -1 })).toThrow(/smoothing must be ≥ 0/);
    expect(() => fitThinPlate([0, 1, 0], [0, 0, 1], [1, 2, 3], { weights: [1, 0, 1] })).toThrow(/weights must be > 0/);
  });
});

describe("renderThinPlate", () => {
  it("stays within its error bound, which shrinks with the step", () => {
    const { points, values } = stored.cloud;
    const spline = fitThinPlate(column(points, 0), column(points, 1), values);
    let before = Infinity;
    for (const stepPixels of [32, 16, 8]) {
      const { data, errorBound } = renderThinPlate(spline, 603, 401, { stepPixels });
      let worst = 0;
      for (let y = 0; y < 401; y += 7) {
        for (let x = 0; x < 603; x += 5) {
          worst = Math.max(worst, Math.abs(data[y * 603 + x] - thinPlateAt(spline, x, y)));
        }
      }
      expect(worst).toBeLessThan(errorBound);
      expect(errorBound).toBeLessThan(before / 3);
      before = errorBound;
    }
  });

  it("names what is wrong", () => {
    const spline = fitThinPlate([0, 1, 0], [0, 0, 1], [1, 2, 3]);
    expect(() => renderThinPlate(spline, 0, 5)).toThrow("renderThinPlate: width must be a whole number above 0");
  });
});
