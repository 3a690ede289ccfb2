import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import {
  asinhPortable,
  atan2Portable,
  cosPortable,
  expPortable,
  logPortable,
  powPortable,
  sinhPortable,
  sinPortable,
} from "../../lib/kernels/elementary.ts";

/** Function, arguments and value rounded from 60 digits by mpmath 1.3.0 (fixtures/kernels/elementary.py). */
const rows: readonly (readonly [string, readonly number[], number])[] = JSON.parse(
  readFileSync(new URL("../../fixtures/kernels/elementary.json", import.meta.url), "utf8"),
);

const functions: readonly { name: string; ours: (...x: number[]) => number; engine: (...x: number[]) => number }[] = [
  { name: "exp", ours: expPortable, engine: Math.exp },
  { name: "log", ours: logPortable, engine: Math.log },
  { name: "asinh", ours: asinhPortable, engine: Math.asinh },
  { name: "sinh", ours: sinhPortable, engine: Math.sinh },
  { name: "pow", ours: powPortable, engine: Math.pow },
  { name: "sin", ours: sinPortable, engine: Math.sin },
  { name: "cos", ours: cosPortable, engine: Math.cos },
  { name: "atan2", ours: atan2Portable, engine: Math.atan2 },
];

/** Distance to the next double away from 0. */
function lastPlace(value: number): number {
  const view = new DataView(new ArrayBuffer(8));
  view.setFloat64(0, Math.abs(value));
  view.setBigInt64(0, view.getBigInt64(0) + 1n);
  return view.getFloat64(0) - Math.abs(value);
}

describe("elementary functions", () => {
  it.each(functions)("$name is within its stated error of mpmath's values", ({ name, ours }) => {
    const mine = rows.filter(([which]) => which === name);
    expect(mine.length).toBeGreaterThan(100);
    const stated = name === "asinh" || name === "sinh" ? 2 : 1;
    for (const [, x, value] of mine) {
      const error = Math.abs(ours(...x) - value) / lastPlace(value);
      if (!(error <= stated)) throw new Error(`${name}(${x}) is ${ours(...x)}, not ${value}: ${error} units off`);
    }
  });

  it.each(functions)("$name agrees with the engine's own to 4 units in the last place", ({ name, ours, engine }) => {
    // A second opinion on arguments of every size; engines promise no accuracy, 2 units were seen at most.
    for (let i = -300; i <= 300; i++) {
      const x = i % 2 === 0 ? i / 7 : 10 ** (i / 25) * (i % 3 === 0 ? -1 : 1);
      const y = 0.37 * i + 0.1;
      const args = name === "atan2" ? [y, x] : name === "pow" ? [Math.abs(x), y / 20] : [x];
      if ((name === "sin" || name === "cos") && Math.abs(x) > 1e6) continue;
      const want = engine(...args);
      const got = ours(...args);
      if (Number.isNaN(want) || !Number.isFinite(want)) expect(got).toBe(want);
      else expect(Math.abs(got - want)).toBeLessThanOrEqual(4 * lastPlace(want));
    }
  });

  it("follows IEEE 754 at the special values", () => {
    expect([expPortable(NaN), expPortable(Infinity), expPortable(-Infinity), expPortable(1000)]).toEqual([
      NaN,
      Infinity,
      0,
      Infinity,
    ]);
    expect([logPortable(0), logPortable(-1), logPortable(Infinity), logPortable(NaN)]).toEqual([
      -Infinity,
      NaN,
      Infinity,
      NaN,
    ]);
    expect([powPortable(NaN, 0), powPortable(1, NaN), powPortable(-2, 3), powPortable(-2, 0.5)]).toEqual([
      1,
      1,
      -8,
      NaN,
    ]);
    expect([powPortable(0, -1), powPortable(0, 2), powPortable(2, 2000), powPortable(2, -2000)]).toEqual([
      Infinity,
      0,
      Infinity,
      0,
    ]);
    expect([atan2Portable(0, -1), atan2Portable(-0, -1), atan2Portable(1, 0), atan2Portable(-1, -0)]).toEqual([
      Math.PI,
      -Math.PI,
      Math.PI / 2,
      -Math.PI / 2,
    ]);
    expect([sinhPortable(-Infinity), asinhPortable(NaN), sinPortable(1e7), cosPortable(NaN)]).toEqual([
      -Infinity,
      NaN,
      NaN,
      NaN,
    ]);
    expect(Object.is(sinPortable(-0), -0) && Object.is(asinhPortable(-0), -0)).toBe(true);
  });

  it("inverts itself: log of exp, sinh of asinh", () => {
    for (let x = -20; x <= 20; x += 0.37) {
      expect(logPortable(expPortable(x))).toBeCloseTo(x, 13);
      expect(sinhPortable(asinhPortable(x)) / x).toBeCloseTo(1, 13);
    }
  });
});
