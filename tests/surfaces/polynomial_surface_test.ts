import { describe, expect, it } from "vitest";
import {
  fitPolynomialSurface,
  legendre,
  polynomialSurfaceAt,
  renderPolynomialSurface,
} from "../../lib/surfaces/polynomial_surface.ts";
import { randomStream } from "../../lib/core/random.ts";

describe("legendre", () => {
  it("gives the values of numpy.polynomial.legendre at 0.3", () => {
    const p = legendre(4, 0.3);
    expect(p[2]).toBeCloseTo(-0.365, 12);
    expect(p[3]).toBeCloseTo(-0.3825, 12);
    expect(p[4]).toBeCloseTo(0.0729375, 12);
  });
});

describe("fitPolynomialSurface", () => {
  const random = randomStream(4);
  const truth = (x: number, y: number) => 3 + 0.1 * x - 0.2 * y + 1e-3 * x * y + 2e-3 * x * x - 1e-5 * y * y * y;
  const points = Array.from({ length: 60 }, () => {
    const x = 99 * random.uniform();
    const y = 49 * random.uniform();
    return { x, y, value: truth(x, y), weight: 0.5 + random.uniform() };
  });

  it("finds a surface of its own degree exactly, at points and over the image", () => {
    const surface = fitPolynomialSurface(points, { width: 100, height: 50, degree: 3 });
    const plane = renderPolynomialSurface(surface);
    for (const [x, y] of [[0, 0], [99, 49], [31, 17]]) {
      expect(polynomialSurfaceAt(surface, x, y)).toBeCloseTo(truth(x, y), 10);
      expect(plane[y * 100 + x]).toBeCloseTo(truth(x, y), 4);
    }
  });

  it("leaves residuals that are orthogonal to every term: the normal equations of least squares", () => {
    const noisy = points.map((p) => ({ ...p, value: p.value + random.gaussian() }));
    const surface = fitPolynomialSurface(noisy, { width: 100, height: 50, degree: 2 });
    for (const term of [() => 1, (x: number) => x, (_: number, y: number) => y, (x: number, y: number) => x * y]) {
      let sum = 0;
      let scale = 0;
      for (const p of noisy) {
        const f = term(p.x, p.y) * p.weight;
        sum += f * (p.value - polynomialSurfaceAt(surface, p.x, p.y));
        scale += Math.abs(f);
      }
      expect(Math.abs(sum / scale)).toBeLessThan(1e-11);
    }
  });

  it("with the radial term finds cubic plus fourth power of the distance exactly, as a surface of degree 4", () => {
    const far = (x: number, y: number) => ((x - 49.5) ** 2 + (y - 24.5) ** 2) ** 2;
    const bent = points.map((p) => ({ ...p, value: p.value + 3e-6 * far(p.x, p.y) }));
    const surface = fitPolynomialSurface(bent, { width: 100, height: 50, degree: 3, radial: true });
    const plane = renderPolynomialSurface(surface);
    expect(surface.degree).toBe(4);
    for (const [x, y] of [[0, 0], [99, 49], [31, 17]]) {
      expect(polynomialSurfaceAt(surface, x, y)).toBeCloseTo(truth(x, y) + 3e-6 * far(x, y), 9);
      expect(plane[y * 100 + x]).toBeCloseTo(truth(x, y) + 3e-6 * far(x, y), 3);
    }
    expect(() => fitPolynomialSurface(bent, { width: 100, height: 50, degree: 4, radial: true })).toThrow(
      "degree must be 2 or 3 with radial, but got 4",
    );
  });

  it("ignores points without weight or value", () => {
    const spoiled = [...points, { x: 5, y: 5, value: 1e9, weight: 0 }, { x: 5, y: 5, value: NaN }];
    expect(fitPolynomialSurface(spoiled, { width: 100, height: 50, degree: 2 }).coefficients)
      .toEqual(fitPolynomialSurface(points, { width: 100, height: 50, degree: 2 }).coefficients);
  });

  it("refuses what does not determine a surface", () => {
    expect(() => fitPolynomialSurface(points.slice(0, 5), { width: 9, height: 9, degree: 2 })).toThrow(
      "points must be at least 6 for degree 2, but got 5; lower the degree",
    );
    const line = Array.from({ length: 9 }, (_, x) => ({ x, y: 0, value: x }));
    expect(() => fitPolynomialSurface(line, { width: 9, height: 9, degree: 1 })).toThrow("must spread over the field");
    expect(() => fitPolynomialSurface(points, { width: 9, height: 9, degree: 9 })).toThrow(
      "degree must be a whole number",
    );
    expect(() => fitPolynomialSurface(points, {})).toThrow("width and height must be ≥ 1");
  });
});
