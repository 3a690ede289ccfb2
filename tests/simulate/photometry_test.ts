import { describe, expect, it } from "vitest";
import {
  blackBodyWidth,
  effectiveWidthAngstrom,
  magnitudeRate,
  rayleighPhotons,
  shapePassband,
  temperatureOfColour,
  throughputAt,
  zeroMagnitudePhotons,
} from "../../lib/simulate/photometry.ts";

describe("photons of a magnitude", () => {
  it("are 998.8 a second, cm² and Å at V = 0 (3640 Jy, Bessell 1979; computed with CODATA constants)", () => {
    expect(Math.abs(zeroMagnitudePhotons / 998.81 - 1)).toBeLessThan(1e-3);
    expect(Math.abs(890 * zeroMagnitudePhotons / 888940 - 1)).toBeLessThan(1e-3);
  });

  it("give the rates of an 80 mm lens: star of V = 20, sky of 21 and 18 at 1.463″ a pixel (formula, from 3640 Jy)", () => {
    const area = Math.PI / 4 * 8 ** 2;
    const width = 890 * 0.6;
    const pixel = 1.463 ** 2;
    expect(magnitudeRate(20, area, width)).toBeCloseTo(0.2681, 4);
    expect(Math.abs(magnitudeRate(21, area, width) * pixel - 0.22845)).toBeLessThan(1e-4);
    expect(Math.abs(magnitudeRate(18, area, width) * pixel / 3.62062 - 1)).toBeLessThan(1e-4);
  });
});

describe("temperatureOfColour", () => {
  // Ballesteros 2012, EPL 97, 34008
  it.each([[0, 10125.24], [0.653, 5767.48], [1, 4742.74], [1.5, 3793.51]])(
    "of B − V = %s is %s K",
    (colour, kelvin) => {
      expect(Math.abs(temperatureOfColour(colour) - kelvin)).toBeLessThan(0.01);
    },
  );
});

describe("a passband", () => {
  const band = shapePassband("Ha", 656.3, 6, 0.6, 12);

  it("has its peak in the middle and half of it at the half width", () => {
    expect(throughputAt(band, 656.3)).toBeCloseTo(0.6, 10);
    expect(throughputAt(band, 659.3)).toBeCloseTo(0.3, 10);
    expect(throughputAt(band, 700)).toBe(0);
  });

  it("passes a flat spectrum like a box of its effective width", () => {
    // ∫ dx / (1 + |x|^12) from −∞ to ∞ = (π / 6) / sin(π / 12)
    const expected = 0.6 * 30 * (Math.PI / 6) / Math.sin(Math.PI / 12);
    expect(Math.abs(effectiveWidthAngstrom(band) / expected - 1)).toBeLessThan(1e-3);
  });

  it("of a narrow width round 550 nm does not care for temperature", () => {
    const green = shapePassband("G", 550, 2, 1, 20);
    expect(Math.abs(blackBodyWidth(green, 3500) / effectiveWidthAngstrom(green) - 1)).toBeLessThan(1e-3);
  });
});

describe("rayleighPhotons", () => {
  it("is 10⁶ / 4π photons a second, cm² and steradian, for one square arcsecond", () => {
    const squareArcsecondsInSteradian = (180 / Math.PI * 3600) ** 2;
    expect(rayleighPhotons * squareArcsecondsInSteradian * 4 * Math.PI).toBeCloseTo(1e6, 4);
  });
});
