import { describe, expect, it } from "vitest";
import { moffatAlphaPerFwhm, type PsfShape, renderStars } from "../../lib/simulate/render_stars.ts";

const draw = (size: number, x: number, y: number, spread: Partial<PsfShape>, radius = 8) => {
  const canvas = { width: size, height: size, data: new Float64Array(size * size) };
  renderStars(canvas, [{ x, y, flux: 1 }], spread, { minimumRadiusFwhm: radius });
  return canvas.data;
};

/** Centre and covariance by plain sums within a radius. */
function moments(data: Float64Array, size: number): { x: number; y: number; xx: number; yy: number; xy: number } {
  let sum = 0;
  let x = 0;
  let y = 0;
  data.forEach((v, i) => {
    sum += v;
    x += v * (i % size);
    y += v * Math.floor(i / size);
  });
  x /= sum;
  y /= sum;
  let xx = 0;
  let yy = 0;
  let xy = 0;
  data.forEach((v, i) => {
    const dx = i % size - x;
    const dy = Math.floor(i / size) - y;
    xx += v * dx * dx / sum;
    yy += v * dy * dy / sum;
    xy += v * dx * dy / sum;
  });
  return { x, y, xx, yy, xy };
}

describe("a drawn star", () => {
  // Moffat 1969: FWHM / α = 2 √(2^(1/β) − 1)
  it.each([[1.5, 1.532842], [2.5, 1.130501], [3, 1.019649], [4.765, 0.791401]])(
    "of β %s has FWHM %s α",
    (beta, ratio) => {
      expect(Math.abs(1 / moffatAlphaPerFwhm(beta) - ratio)).toBeLessThan(1e-6);
    },
  );

  it("keeps its light: the sum within 8 FWHM is 1 − (1 + (R/α)²)^(1 − β), to 1e-3", () => {
    const sum = draw(201, 100.3, 99.6, { fwhmPixels: 2.6, beta: 3 }).reduce((a, b) => a + b, 0);
    const expected = 1 - (1 + (8 / moffatAlphaPerFwhm(3)) ** 2) ** -2;
    expect(Math.abs(sum - expected)).toBeLessThan(2e-4);
    expect(Math.abs(sum - 1)).toBeLessThan(1e-3);
  });

  it("agrees with pixels integrated on a grid of 25 × 25 points, core and wing", () => {
    const size = 41;
    const fwhm = 2.2;
    const beta = 2.9;
    const x = 20.37;
    const y = 19.81;
    const alpha = fwhm * moffatAlphaPerFwhm(beta);
    const data = draw(size, x, y, { fwhmPixels: fwhm, beta });
    const peak = (beta - 1) / (Math.PI * alpha * alpha);
    for (const [px, py] of [[20, 20], [21, 20], [19, 18], [24, 22], [30, 12]]) {
      let sum = 0;
      for (let j = 0; j < 25; j++) {
        for (let i = 0; i < 25; i++) {
          const r2 = (px + (i + 0.5) / 25 - 0.5 - x) ** 2 + (py + (j + 0.5) / 25 - 0.5 - y) ** 2;
          sum += peak * (1 + r2 / (alpha * alpha)) ** -beta / 625;
        }
      }
      expect(Math.abs(data[py * size + px] / sum - 1)).toBeLessThan(2e-3);
    }
  });

  it("has the width asked for, read from its peak and its profile at half maximum", () => {
    const size = 121;
    const data = draw(size, 60, 60, { fwhmPixels: 9, beta: 3 });
    const peak = data[60 * size + 60];
    let at = 60;
    while (data[60 * size + at + 1] > peak / 2) at++;
    const a = data[60 * size + at];
    const b = data[60 * size + at + 1];
    const half = at - 60 + (a - peak / 2) / (a - b);
    // integration over the pixel widens a star of 9 pixels by less than 1 %
    expect(Math.abs(2 * half / 9 - 1)).toBeLessThan(0.01);
  });

  it("trails by L: the variance along the motion grows by L² / 12", () => {
    const steps = 60;
    const length = 12;
    const motion = Array.from({ length: steps }, (_, i) => ({
      dx: length * ((i + 0.5) / steps - 0.5),
      dy: 0,
      rotationDegrees: 0,
      share: 1 / steps,
    }));
    const size = 161;
    const still = moments(draw(size, 80, 80, { fwhmPixels: 3, beta: 5 }, 20), size);
    const moved = moments(draw(size, 80, 80, { fwhmPixels: 3, beta: 5, motion }, 20), size);
    expect(Math.abs((moved.xx - still.xx) / (length * length / 12) - 1)).toBeLessThan(0.005);
    expect(Math.abs(moved.yy / still.yy - 1)).toBeLessThan(0.005);
  });

  // by formula: a² = s² + L²/12, e = √(1 − s²/a²)
  it.each([[1, 0.188982], [2, 0.359211], [3, 0.5], [4, 0.609994]])(
    "trailed by %d pixels at a scatter of 1.5 has eccentricity %d",
    (length, eccentricity) => {
      const size = 161;
      const still = moments(draw(size, 80, 80, { fwhmPixels: 3, beta: 5 }, 20), size);
      const steps = 80;
      const reach = length * Math.sqrt(still.xx) / 1.5;
      const motion = Array.from({ length: steps }, (_, i) => ({
        dx: reach * ((i + 0.5) / steps - 0.5),
        dy: 0,
        rotationDegrees: 0,
        share: 1 / steps,
      }));
      const { xx, yy } = moments(draw(size, 80, 80, { fwhmPixels: 3, beta: 5, motion }, 20), size);
      expect(Math.abs(Math.sqrt(1 - yy / xx) - eccentricity)).toBeLessThan(1e-3);
    },
  );

  it("is an ellipse of the eccentricity and direction asked for", () => {
    const size = 161;
    const { xx, yy, xy } = moments(
      draw(size, 80, 80, { fwhmPixels: 4, beta: 6, eccentricity: 0.8, elongationDegrees: 30 }, 16),
      size,
    );
    const spread = Math.hypot((xx - yy) / 2, xy);
    const middle = (xx + yy) / 2;
    // pixel integration adds 1/12 to each axis
    const a2 = middle + spread - 1 / 12;
    const b2 = middle - spread - 1 / 12;
    expect(Math.abs(Math.sqrt(1 - b2 / a2) - 0.8)).toBeLessThan(0.01);
    expect(Math.abs(Math.atan2(2 * xy, xx - yy) * 90 / Math.PI - 30)).toBeLessThan(0.1);
  });

  it("gives each pixel of a mosaic the light of its own channel", () => {
    const canvas = { width: 20, height: 20, data: new Float64Array(400) };
    renderStars(canvas, [{ x: 9.5, y: 9.5, flux: [0, 10, 0] }], {}, { mosaic: [0, 1, 1, 2] });
    expect(canvas.data[9 * 20 + 10]).toBeGreaterThan(0);
    expect(canvas.data[10 * 20 + 10]).toBe(0);
    expect(canvas.data[9 * 20 + 9]).toBe(0);
  });

  it("refuses nonsense by name", () => {
    const canvas = { width: 2, height: 2, data: new Float64Array(4) };
    expect(() => renderStars(canvas, [], { fwhmPixels: 0 })).toThrow(/fwhmPixels must be > 0, but got 0/);
    expect(() => renderStars(canvas, [], { beta: 1 })).toThrow(/beta must be > 1, but got 1/);
    expect(() => renderStars(canvas, [{ x: 0, y: 0, flux: [1, 1, 1] }])).toThrow(/must come with option mosaic/);
  });
});
