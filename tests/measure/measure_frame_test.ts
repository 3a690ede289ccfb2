import { describe, expect, it } from "vitest";
import { constantImage, createImage, mapField, measureFrame, randomStream, type Star } from "../../lib/mod.ts";
import { drift, lattice, noiseArea, renderScene, testProfile, type TestScene } from "../support/scenes.ts";

const unit = 10 * Math.sqrt(noiseArea(testProfile));
const stars = lattice(640, 480, 40, 20 * unit, 400 * unit, 6);
const scene = (parts: Partial<TestScene>) => renderScene({ width: 640, height: 480, stars, seed: 3, ...parts });

/** A star list without noise: places on a lattice, shapes by a rule. */
function shaped(rule: (x: number, y: number) => { fwhm: number; shape: readonly [number, number] }): Star[] {
  const random = randomStream(4);
  return lattice(2000, 1400, 100, 1, 1, 2).map(({ x, y }) => {
    const { fwhm, shape } = rule(x, y), noise = () => 0.02 * random.gaussian();
    return {
      x,
      y,
      flux: 1000,
      peak: 100,
      snr: 100,
      fwhmPixels: fwhm * (1 + noise() / 2),
      eccentricity: 0,
      elongationDegrees: 0,
      shape: [shape[0] + noise(), shape[1] + noise()],
      halfFluxRadiusPixels: fwhm / 2,
      background: 0,
      saturated: false,
    };
  });
}

describe("measureFrame", () => {
  it("reports sky, noise, gradient and counts of a plain field", () => {
    const q = measureFrame(scene({ sky: (x) => 500 + 0.05 * x }), { arcsecPerPixel: 1.5, fullScaleAdu: 65535 });
    expect(q.starCount).toBe(stars.length);
    // 0.5 ADU + 0.2 % of the level in the middle
    expect(Math.abs(q.background - 516)).toBeLessThan(1.5);
    // a field of stars 40 pixels apart: their wings are in a tenth of the samples
    expect(Math.abs(q.noise / 10 - 1)).toBeLessThan(0.06);
    expect(Math.abs(q.gradient - 32)).toBeLessThan(4);
    expect(Math.min(q.gradientDegrees, 360 - q.gradientDegrees)).toBeLessThan(8);
    expect(q.fwhmArcsec).toBeCloseTo(1.5 * q.fwhmPixels, 9);
    expect(q.eccentricity).toBeLessThan(0.2);
    expect([q.saturatedShare, q.constantShare, q.missingShare, q.doubling, q.trails.length]).toEqual([
      0,
      0,
      0,
      null,
      0,
    ]);
    expect(q.centralLevel).toBeGreaterThan(0.9);
  });
  it("is plain data that JSON and other threads can hold", () => {
    const q = measureFrame(scene({}));
    expect(structuredClone(q)).toEqual(q);
  });
  it("sees a drift as common elongation", () => {
    const q = measureFrame(scene({ profile: { ...testProfile, path: drift(6, 75) } }));
    expect(q.alignment).toBeGreaterThan(0.95);
    expect(Math.abs(q.elongationDegrees - 75)).toBeLessThan(2);
    expect(q.eccentricity).toBeGreaterThan(0.7);
    expect(q.doubling).toBeNull();
  });
  it("sees rings, and second images near and far", () => {
    const wide = lattice(640, 480, 80, 200 * unit, 900 * unit, 6);
    expect(measureFrame(scene({ stars: wide, profile: { ...testProfile, ring: { outer: 8, inner: 5 } } })).centralLevel)
      .toBeLessThan(0.8);
    for (const [dx, dy] of [[5, 3], [14, -8]]) {
      const path = [{ dx: 0, dy: 0, share: 0.65 }, { dx, dy, share: 0.35 }];
      const { doubling } = measureFrame(scene({ stars: wide, profile: { ...testProfile, path } }));
      expect(doubling).not.toBeNull();
      const length = Math.hypot(doubling?.dx ?? 0, doubling?.dy ?? 0);
      expect(Math.abs(length - Math.hypot(dx, dy))).toBeLessThan(1.2);
    }
  });
  it("finds a trail and not the stars' rows", () => {
    const image = scene({}), data = image.planes[0].data.slice();
    for (let x = 0; x < 640; x++) {
      const y = Math.round(60 + 0.5 * x);
      for (let k = -1; k <= 1; k++) if (y + k < 480) data[(y + k) * 640 + x] += k === 0 ? 40 : 20;
    }
    const { trails } = measureFrame(createImage({ ...image, planes: [{ channel: "L", data }] }));
    expect(trails.length).toBe(1);
    expect(Math.abs(trails[0].degrees - Math.atan(0.5) * 180 / Math.PI)).toBeLessThan(1.5);
  });
  it("tells missing, constant and saturated areas", () => {
    const image = scene({}),
      with_ = (of: (v: number, i: number) => number) =>
        measureFrame(createImage({ ...image, planes: [{ channel: "L", data: image.planes[0].data.map(of) }] }), {
          fullScaleAdu: 4095,
        });
    expect(with_((v, i) => i < 640 * 120 ? NaN : v).missingShare).toBeCloseTo(0.25, 2);
    expect(with_((v, i) => i < 640 * 120 ? 0 : v).constantShare).toBeCloseTo(0.25, 1);
    expect(with_((v, i) => i < 640 * 120 ? 4095 : v).saturatedShare).toBeCloseTo(0.25, 1);
  });
  it("survives frames with nothing in them, and refuses nonsense", () => {
    for (const image of [constantImage(3, 3, 1), constantImage(200, 150, NaN), constantImage(200, 150, 0)]) {
      const q = measureFrame(image);
      expect(q.starCount).toBe(0);
      expect(q.fwhmPixels).toBeNaN();
      expect(q.fwhmArcsec).toBeNull();
    }
    expect(() => measureFrame(constantImage(3, 3, 1), {}, { listedStars: 0 })).toThrow(
      "listedStars must be ≥ 1, but got 0",
    );
    expect(() => measureFrame(constantImage(3, 3, 1, { unit: "display" }))).toThrow("image must be linear");
  });
});

describe("mapField", () => {
  it("is flat for a flat field, within its own errors", () => {
    const map = mapField(shaped(() => ({ fwhm: 3, shape: [0, 0] })), 2000, 1400);
    expect(map.columns * map.rows).toBe(35);
    expect(map.tiltSignificance).toBeLessThan(4);
    expect(map.curvatureSignificance).toBeLessThan(4);
    expect(map.radialSignificance).toBeLessThan(4);
    for (const each of map.fwhmPixels.filter((v) => v === v)) expect(Math.abs(each - 3)).toBeLessThan(0.06);
  });
  it("finds tilt and curvature: FWHM² = 9 (1 + 0.3 u + 0.2 r²)", () => {
    const radius = Math.hypot(2000, 1400) / 2;
    const map = mapField(
      shaped((x, y) => {
        const u = (x - 999.5) / radius, v = (y - 699.5) / radius;
        return { fwhm: 3 * Math.sqrt(1 + 0.3 * u + 0.2 * (u * u + v * v)), shape: [0, 0] };
      }),
      2000,
      1400,
    );
    expect(Math.abs(map.tilt - 0.3)).toBeLessThan(0.03);
    expect(Math.min(map.tiltDegrees, 360 - map.tiltDegrees)).toBeLessThan(5);
    expect(Math.abs(map.curvature - 0.2)).toBeLessThan(0.05);
  });
  it("finds angle and centre of field rotation: a² − b² = ρ² Δφ² / 12 along the tangent", () => {
    const angle = 0.25 * Math.PI / 180, cx = 700, cy = 900, s2 = (3 / 2.3548200450309493) ** 2;
    const map = mapField(
      shaped((x, y) => {
        const dx = x - cx, dy = y - cy, add = (dx * dx + dy * dy) * angle * angle / 12;
        // along the tangent: position angle of the radius plus 90°
        const chi = add / (2 * s2 + add), direction = 2 * (Math.atan2(dy, dx) + Math.PI / 2);
        const fwhm = 2.3548200450309493 * Math.sqrt(Math.sqrt(s2 * (s2 + add)));
        return { fwhm, shape: [chi * Math.cos(direction), chi * Math.sin(direction)] };
      }),
      2000,
      1400,
    );
    expect(map.rotation).not.toBeNull();
    expect(Math.abs((map.rotation?.degrees ?? 0) / 0.25 - 1)).toBeLessThan(0.05);
    expect(Math.hypot((map.rotation?.centre.x ?? 0) - cx, (map.rotation?.centre.y ?? 0) - cy)).toBeLessThan(40);
    expect(map.rotation?.significance).toBeGreaterThan(10);
  });
  it("does not take radial elongation for rotation", () => {
    const map = mapField(
      shaped((x, y) => {
        const dx = (x - 1000) / 1220, dy = (y - 700) / 1220;
        return { fwhm: 3, shape: [0.2 * (dx * dx - dy * dy), 0.2 * 2 * dx * dy] };
      }),
      2000,
      1400,
    );
    expect(map.rotation).toBeNull();
    expect(Math.abs(map.radialShape - 0.2)).toBeLessThan(0.03);
  });
});
