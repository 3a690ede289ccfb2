/** The curve of a family that takes one level to another. */
import { asinhPortable, expPortable, logPortable } from "../kernels/elementary.ts";
import { asinhCurve, type Curve, logCurve, powerCurve, rationalCurve } from "./curve.ts";

/** Families with one parameter that a level fixes. */
export type SolvableFamily = "asinh" | "log" | "power" | "rational";

/** Bends that are tried: 1e-4 is a straight line to nine digits, 1e15 lies beyond any range a sensor has. */
const minimumBend = 1e-4;
const maximumBend = 1e15;

/** The bend that draws `from` at `to`, by bisection in its logarithm. */
function bendThrough(family: "asinh" | "log", from: number, to: number): number {
  if (!(to >= from)) {
    throw new RangeError(`curveThrough: to must be at least from for family "${family}", but got ${to} < ${from}`);
  }
  const drawn = (bend: number) =>
    family === "asinh"
      ? asinhPortable(bend * from) / asinhPortable(bend)
      : logPortable(1 + bend * from) / logPortable(1 + bend);
  if (drawn(maximumBend) < to) {
    throw new RangeError(`curveThrough: no ${family} curve lifts ${from} to ${to}; choose a lower target`);
  }
  let low = logPortable(minimumBend);
  let high = logPortable(maximumBend);
  for (let k = 0; k < 60; k++) {
    const middle = (low + high) / 2;
    if (drawn(expPortable(middle)) < to) low = middle;
    else high = middle;
  }
  return expPortable((low + high) / 2);
}

/**
 * The curve of a family that takes `from` to `to`: how an automatic stretch puts the sky where it is wanted.
 * `asinh` and `log` are solved by bisection in ln bend (60 halvings), the others in closed form.
 *
 * @param family which family
 * @param levels position of the level, inside 0 … 1, and where it shall be drawn, inside 0 … 1; for `asinh` and `log`
 *   at least `from`
 * @throws {RangeError} if no curve of the family does it
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { curveThrough } from "faintlight";
 *
 * const curve = curveThrough("asinh", [0.002, 0.147713]);
 * assert.ok(Math.abs(curve.at(0.002) - 0.147713) < 1e-12);
 * ```
 */
export function curveThrough<Family extends SolvableFamily>(
  family: Family,
  [from, to]: readonly [from: number, to: number],
): Curve<Family> {
  return solveThrough(family, from, to) as Curve<Family>;
}

function solveThrough(family: SolvableFamily, from: number, to: number): Curve {
  if (!(from > 0 && from < 1)) throw new RangeError(`curveThrough: from must lie inside 0 … 1, but got ${from}`);
  if (!(to > 0 && to < 1)) throw new RangeError(`curveThrough: to must lie inside 0 … 1, but got ${to}`);
  switch (family) {
    case "power":
      return powerCurve(logPortable(to) / logPortable(from));
    case "rational":
      return rationalCurve(to * (1 - from) / (to * (1 - from) + from * (1 - to)));
    case "asinh":
      return asinhCurve(bendThrough(family, from, to));
    case "log":
      return logCurve(bendThrough(family, from, to));
    default:
      throw new RangeError(
        `curveThrough: family must be "asinh", "log", "power" or "rational", but got ${JSON.stringify(family)}`,
      );
  }
}
