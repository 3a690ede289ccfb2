/** Filters by the names that headers give them: order by wavelength, against the tables named beside the numbers. */
import { describe, expect, it } from "vitest";
import { wavelengthOfFilter } from "../../lib/colour/filter_wavelengths.ts";

const orderOf = (names: readonly string[]) =>
  [...names].sort((a, b) => (wavelengthOfFilter(a) ?? 0) - (wavelengthOfFilter(b) ?? 0));

describe("wavelengthOfFilter", () => {
  it.each([
    [["U", "B", "V", "R", "I"]],
    [["u'", "g'", "r'", "i'", "z'"]],
    [["SDSS g", "SDSS r", "SDSS i"]],
    [["B", "V", "rprime"]],
    [["J", "H", "Ks"]],
    [["OIII", "Ha", "SII"]],
  ])("puts %j into the order of their wavelengths", (names) => {
    expect(orderOf([...names].reverse())).toEqual(names);
    expect(names.every((name) => wavelengthOfFilter(name) !== null)).toBe(true);
  });

  it("knows effective wavelengths of two systems (Bessell 2005; Fukugita et al. 1996; from memory) within 2 %", () => {
    for (const [name, nanometres] of [["Johnson V", 545], ["Bessell B", 436], ["sloan r", 616], ["g'", 472]] as const) {
      expect(Math.abs((wavelengthOfFilter(name) ?? 0) / nanometres - 1)).toBeLessThan(0.025);
    }
  });

  it("does not guess", () => {
    for (const name of ["", "L", "colour", "slot 5", "Methane", "rose"]) expect(wavelengthOfFilter(name)).toBeNull();
  });
});
