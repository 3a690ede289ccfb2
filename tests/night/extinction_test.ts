import { describe, expect, it } from "vitest";
import { fitExtinction } from "../../lib/night/extinction.ts";

/** A night of twenty frames from airmass 1 to 2, with extinction k and a flux that also depends on the frame. */
const night = (k: number, flux: (i: number) => number) =>
  Array.from({ length: 20 }, (_, i) => {
    const airmass = 1 + i / 19;
    return { airmass, ratio: flux(i) * Math.exp(-k * airmass) };
  });

describe("fitExtinction", () => {
  it.each([0.1, 0.2, 0.35])("finds an extinction of %s", (k) => {
    expect(Math.abs(fitExtinction(night(k, () => 1)) - k)).toBeLessThan(1e-9);
  });
  it("is not led astray by clouds in a third of the frames", () => {
    expect(Math.abs(fitExtinction(night(0.2, (i) => i % 3 === 0 ? 0.4 : 1)) - 0.2)).toBeLessThan(1e-9);
  });
  it("keeps within what a hazy night takes", () => {
    expect(fitExtinction(night(1, () => 1))).toBeCloseTo(0.4, 9);
  });
  it("says nothing of few frames, or of one altitude", () => {
    expect(fitExtinction(night(0.2, () => 1).slice(0, 7))).toBe(0);
    expect(fitExtinction(night(0.2, () => 1).map((each) => ({ ...each, airmass: 1.2 })))).toBe(0);
  });
});
