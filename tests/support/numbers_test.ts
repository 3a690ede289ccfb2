/** Covers tests/support/numbers.ts: the number stream of the checks. */
import { describe, expect, it } from "vitest";
import { gauss, parkMiller } from "./numbers.ts";

describe("number stream of the checks", () => {
  it("gives the published states (Park & Miller 1988; FITS 4.0 Appendix I)", () => {
    const next = parkMiller(1);
    expect([next(), next(), next()]).toEqual([16807, 282475249, 1622650073]);
    const other = parkMiller(1);
    let s = 0;
    for (let i = 0; i < 10000; i++) s = other();
    expect(s).toBe(1043618065);
  });
  it("gives the deviates that numpy gives", () => {
    const z = gauss(4, 42);
    [-3.95738523, -0.61626829, -0.06546495, 0.78123733].forEach((v, i) =>
      expect(Math.abs(z[i] - v)).toBeLessThan(1e-8)
    );
  });
});
