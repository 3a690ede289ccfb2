/** Holds annulus.ts and psf.ts. */
import { describe, expect, it } from "vitest";
import type { Raster } from "../../lib/core/raster.ts";
import { annulusSamples, circleSamples, directionX, directionY, pixelsAbout } from "../../lib/stars/annulus.ts";
import { ellipticalDistance, likelyBeta, type Psf, psfAt, psfRadius } from "../../lib/stars/psf.ts";

/** A raster whose samples are their own indices. */
const indexed = (width: number, height: number): Raster => ({
  data: Float32Array.from({ length: width * height }, (_, i) => i),
  width,
  height,
});

describe("samples about a place", () => {
  it("lie within the two circles of an annulus, borders included; gaps and what lies outside are left out", () => {
    const raster = indexed(9, 9);
    const ring = annulusSamples(raster, { x: 4, y: 4, inner: 1, outer: Math.SQRT2 });
    expect([...ring]).toEqual([30, 31, 32, 39, 41, 48, 49, 50]);
    raster.data[31] = NaN;
    expect(annulusSamples(raster, { x: 4, y: 4, inner: 1, outer: Math.SQRT2 }).length).toBe(7);
    expect([...annulusSamples(raster, { x: 0, y: 0, inner: 0.5, outer: 1 })]).toEqual([1, 9]);
  });

  it("come with their elliptical distance from a star", () => {
    const place = { x: 2, y: 1, a: 0.25, b: 0, c: 4 };
    const { at, distances } = pixelsAbout(indexed(5, 3), place, 2);
    expect(at.length).toBe(15);
    expect(distances[at.indexOf(9)]).toBe(1); // two columns off
    expect(distances[at.indexOf(2)]).toBe(2); // one row off
    expect(ellipticalDistance(place, 0, 0)).toBe(0);
  });

  it("lie on a circle in sixteen directions of length 1, and in pairs", () => {
    directionX.forEach((x, k) => {
      expect(Math.abs(Math.hypot(x, directionY[k]) - 1)).toBeLessThan(1e-4);
      expect(directionX[(k + 8) % 16]).toBeCloseTo(-x, 12);
      expect(directionY[(k + 8) % 16]).toBeCloseTo(-directionY[k], 12);
    });
    expect(circleSamples(indexed(9, 9), 4, 4, 3).length).toBe(16);
    expect([...circleSamples(indexed(9, 9), 4, 4, 0)]).toEqual(new Array(16).fill(40));
    expect(circleSamples(indexed(9, 9), 0, 0, 3).length).toBe(5);
  });
});

describe("a point-spread function", () => {
  const psf: Psf = {
    table: Float64Array.of(1, 0.5, 0.25),
    perPixel: 1,
    tabulatedTo: 2,
    exponent: 2,
    fwhm: 2,
    stars: 1,
  };

  it("is its table, linear between its samples, and a power law beyond", () => {
    expect([0, 0.5, 1, 1.5].map((r) => psfAt(psf, r))).toEqual([1, 0.75, 0.5, 0.375]);
    expect(psfAt(psf, 2)).toBeCloseTo(0.25, 12);
    expect(psfAt(psf, 4)).toBeCloseTo(0.0625, 12);
  });

  it("has fallen to a level at a radius, at most the one that is looked to", () => {
    expect(psfRadius(psf, 0.75, 10)).toBeCloseTo(0.5, 9);
    expect(psfRadius(psf, 0.0625, 10)).toBeCloseTo(4, 9);
    expect(psfRadius(psf, 0.0001, 10)).toBe(10);
    expect(psfRadius(psf, 1, 10)).toBe(0);
  });

  it("takes the exponent that detection found if it is likely", () => {
    expect([2.5, 0.2, NaN, 40].map(likelyBeta)).toEqual([2.5, 3, 3, 3]);
  });
});
