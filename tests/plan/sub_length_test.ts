/** The CCD equation and what follows from it. */
import { describe, expect, it } from "vitest";
import { hoursForSnr, plannedSnr, readNoiseExcess, shortestSub } from "faintlight/plan";

describe("plannedSnr", () => {
  it("gives the worked example of the handbook", () => {
    // Howell 2006, section 4.4, from memory: 24 013 ADU of 5 electrons from the star in one pixel, 620 ADU from the sky,
    // 1.8 electrons of dark in 300 s, read noise 5 electrons: about 342
    const plan = { targetRate: 24013 * 5 / 300, backgroundRate: (620 * 5 + 1.8) / 300, readNoiseElectrons: 5 };
    expect(plannedSnr({ ...plan, pixels: 1, subSeconds: 300, subs: 1 })).toBeCloseTo(342, 0);
  });

  it("is the root of the electrons where there is nothing but the target", () => {
    const plan = { targetRate: 1, backgroundRate: 0, readNoiseElectrons: 0, pixels: 9, subSeconds: 100, subs: 100 };
    expect(plannedSnr(plan)).toBeCloseTo(100, 9);
  });
});

describe("shortestSub", () => {
  it.each([[0.05, 9.756], [0.1, 4.762], [0.2, 2.273]])(
    "for %f more noise needs %f times the square of the read noise from the sky",
    (share, factor) => {
      const signal = { backgroundRate: 0.8, readNoiseElectrons: 3 };
      expect(shortestSub(signal, share) * 0.8 / 9).toBeCloseTo(factor, 3);
      expect(readNoiseExcess(signal, shortestSub(signal, share))).toBeCloseTo(1 + share, 12);
    },
  );

  it("refuses a sky without light", () => {
    expect(() => shortestSub({ backgroundRate: 0, readNoiseElectrons: 3 }, 0.05)).toThrow(
      "shortestSub: backgroundRate must be > 0, but got 0",
    );
    expect(() => shortestSub({ backgroundRate: 1, readNoiseElectrons: 3 }, 0)).toThrow(RangeError);
  });
});

describe("hoursForSnr", () => {
  it("is the time after which plannedSnr reaches it", () => {
    const plan = { targetRate: 0.03, backgroundRate: 0.4, readNoiseElectrons: 1.6, pixels: 2, subSeconds: 60 };
    const hours = hoursForSnr(plan, 10);
    expect(plannedSnr({ ...plan, subs: hours * 60 })).toBeCloseTo(10, 9);
  });
});
