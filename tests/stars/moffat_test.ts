import { describe, expect, it } from "vitest";
import {
  fitMoffatProfile,
  moffatFlux,
  moffatFwhm,
  moffatHalfFluxRadius,
  moffatNoiseArea,
} from "../../lib/stars/moffat.ts";

describe("Moffat profile (Moffat 1969; values by formula, areas checked by quadrature)", () => {
  it.each([
    [1.5, 1.532842],
    [2, 1.287189],
    [2.5, 1.130501],
    [3, 1.019649],
    [4, 0.869959],
    [4.765, 0.791401],
    [10, 0.535811],
  ])("FWHM over alpha for beta %d", (beta, value) => {
    expect(Math.abs(moffatFwhm(beta) - value)).toBeLessThan(1e-6);
  });
  it.each([
    [1.5, 1.129961],
    [2, 0.776887],
    [2.5, 0.677948],
    [3, 0.631192],
    [4, 0.586033],
    [4.765, 0.568106],
    [10, 0.528074],
  ])("half-flux radius over FWHM for beta %d", (beta, value) => {
    expect(Math.abs(moffatHalfFluxRadius(beta) / moffatFwhm(beta) - value)).toBeLessThan(1e-6);
  });
  it.each([[2.5, 4.370043], [3, 3.7771], [4, 3.228553], [4.765, 3.018394]])(
    "noise-equivalent area over FWHM² for beta %d",
    (beta, value) => {
      expect(Math.abs(moffatNoiseArea(beta) - value)).toBeLessThan(1e-6);
    },
  );
  it("FWHM of alpha 3, beta 2.5 as astropy's Moffat2D (gamma 3, alpha 2.5) gives it", () => {
    expect(3 * moffatFwhm(2.5)).toBeCloseTo(3.3915018484, 9);
  });
  it("light within a radius adds up to all of it", () => {
    expect(moffatFlux(3, 1e6)).toBeCloseTo(moffatFlux(3), 9);
    expect(moffatFlux(3, moffatHalfFluxRadius(3))).toBeCloseTo(moffatFlux(3) / 2, 12);
  });
  it("is recovered from its own samples", () => {
    const radius = Array.from({ length: 30 }, (_, i) => i * 0.2);
    const fit = fitMoffatProfile(radius, radius.map((r) => 7 * (1 + (r / 1.8) ** 2) ** -2.7), radius.map(() => 1));
    expect(fit?.height).toBeCloseTo(7, 5);
    expect(fit?.alpha).toBeCloseTo(1.8, 4);
    expect(fit?.beta).toBeCloseTo(2.7, 4);
    expect(fitMoffatProfile([0, 1], [-1, -2], [1, 1])).toBeNull();
  });
});
