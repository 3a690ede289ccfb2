import { describe, expect, it } from "vitest";
import { starField } from "../../lib/simulate/star_field.ts";

describe("starField", () => {
  // count ratio a magnitude: 10^γ
  it.each([[0.3, 1.9953], [0.4, 2.5119], [0.6, 3.9811]])(
    "with slope %s has %s times the stars a magnitude fainter",
    (slope, ratio) => {
      const stars = starField({
        seed: 3,
        countSlope: slope,
        starsToMagnitude15: 60000,
        maximumMagnitude: 15,
        minimumMagnitude: 6,
      });
      const to = (magnitude: number) => stars.filter((star) => star.magnitude < magnitude).length;
      const bright = to(14);
      const all = to(15);
      // the brighter share is binomial: 4 sigma
      const share = 1 / ratio;
      const sigma = Math.sqrt(share * (1 - share) / all);
      expect(Math.abs(bright / all - share)).toBeLessThan(4 * sigma);
    },
  );

  it("has the density asked for, within 4 sigma", () => {
    const stars = starField({
      seed: 4,
      halfWidthArcsec: 1800,
      halfHeightArcsec: 1800,
      maximumMagnitude: 15,
      starsToMagnitude15: 1000,
    });
    expect(Math.abs(stars.length - 1000)).toBeLessThan(4 * Math.sqrt(1000));
    expect(stars.every((star) => star.magnitude <= 15 && star.magnitude >= 8)).toBe(true);
  });

  it("has red and blue stars round 5800 K", () => {
    const kelvin = starField({ seed: 5, maximumMagnitude: 17 }).map((star) => star.temperatureK).sort((a, b) => a - b);
    const middle = kelvin[kelvin.length >> 1];
    expect(middle).toBeGreaterThan(5500);
    expect(middle).toBeLessThan(6100);
    expect(kelvin[0]).toBeLessThan(4000);
    expect(kelvin[kelvin.length - 1]).toBeGreaterThan(10000);
  });

  it("refuses nonsense by name", () => {
    expect(() => starField({ countSlope: NaN })).toThrow(/starField: countSlope must be > 0, but got NaN/);
    expect(() => starField({ maximumMagnitude: 5 })).toThrow(/starField: faintest must be > 8, but got 5/);
  });
});
