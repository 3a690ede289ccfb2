/**
 * `measureFrame`, `mapField` and `fitFocusRun` on drawn and simulated frames. Covers field_map.ts, fit_focus_run.ts,
 * stars_without_trails.ts, find_flashes.ts, find_trails.ts, trail.ts, trail_map.ts, line_votes.ts, inspect_line.ts,
 * typical_elongation.ts, sky_gradient.ts, sample_shares.ts, stars/masked_background.ts, stars/pixel_scatter.ts,
 * stars/mean_star.ts, stars/find_doubling.ts and stars/halo_share.ts.
 */
import { join } from "node:path";
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { fitFocusRun } from "../../lib/doors/parts.ts";
import { lanternScene, longRig, pocketRig, resizeRig, simulateFrame, starScene } from "../../lib/doors/simulate.ts";
import { median, randomStream } from "../../lib/doors/stats.ts";
import { constantImage, type Image, mapField, measureFrame, readFits, type Star } from "../../lib/mod.ts";
import { missingData, openDataPath } from "../support/open_data.ts";
import { drift, lattice, noiseArea, renderScene, testProfile, type TestScene } from "../support/scenes.ts";

const unit = 10 * Math.sqrt(noiseArea(testProfile));
const stars = lattice(640, 480, 40, 20 * unit, 400 * unit, 6);
const scene = (parts: Partial<TestScene>) => renderScene({ width: 640, height: 480, stars, seed: 3, ...parts });

/**
 * Real frames without a trail, full of what might pass for one: filaments of the Orion nebula, galaxies, a globular
 * cluster.
 */
const realFrames: readonly (readonly [set: string, file: string])[] = [
  ["narrowband-orion", "wfc3-resample-muse-f502n.fits"],
  ["narrowband-orion", "wfc3-resample-muse-f656n.fits"],
  ["narrowband-orion", "wfc3-resample-muse-f673n.fits"],
  ["lights-galaxy-pair", "aligned_eso085-030-004.fit.gz"],
  ["lights-m13-mono", "M13_blue_0001.fits"],
];

/** A star list without noise: places on a lattice, shapes by a rule. */
function shaped(rule: (x: number, y: number) => { fwhm: number; shape: readonly [number, number] }): Star[] {
  const random = randomStream(4);
  return lattice(2000, 1400, 100, 1, 1, 2).map(({ x, y }) => {
    const { fwhm, shape } = rule(x, y);
    const noise = () => 0.02 * random.gaussian();
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
    const image = scene({});
    const data = image.planes[0].data.slice();
    for (let x = 0; x < 640; x++) {
      const y = Math.round(60 + 0.5 * x);
      for (let k = -1; k <= 1; k++) if (y + k < 480) data[(y + k) * 640 + x] += k === 0 ? 40 : 20;
    }
    const { trails } = measureFrame(createImage({ ...image, planes: [{ channel: "L", data }] }));
    expect(trails.length).toBe(1);
    expect(Math.abs(trails[0].degrees - Math.atan(0.5) * 180 / Math.PI)).toBeLessThan(1.5);
  });
  it("finds a satellite's trail across a bright nebula, and takes no ridge of the nebula for one", () => {
    const rig = resizeRig(longRig, { width: 608, height: 456 });
    const nebula = lanternScene({ starsToMagnitude15: 2200, stepArcsec: 2 });
    const streak = {
      through: [330, 220] as const,
      degrees: 51,
      electronsPerPixel: 450,
      doublePixels: 0,
      blinkPixels: 0,
    };
    const trailsOf = (streaks: readonly (typeof streak)[]) =>
      measureFrame(simulateFrame(rig, nebula, { seed: "trail", filter: "Ha", streaks }).image).trails;
    expect(trailsOf([])).toEqual([]);
    const found = trailsOf([streak]);
    expect(found.length).toBe(1);
    expect(Math.abs(found[0].degrees - 51)).toBeLessThan(1.5);
    // from the middle of the frame, (303.5, 227.5), to the trail along its normal at 51° − 90°
    const normal = -39 * Math.PI / 180;
    const offset = (330 - 303.5) * Math.cos(normal) + (220 - 227.5) * Math.sin(normal);
    expect(Math.abs(found[0].offsetPixels - offset)).toBeLessThan(6);
    // its ends, which a stack leaves it out by, are known to three pixels
    for (const { x, y } of [found[0].from, found[0].to]) {
      expect(Math.abs((x - 330) * Math.cos(normal) + (y - 220) * Math.sin(normal))).toBeLessThan(3);
    }
  });
  for (const [set, file] of realFrames) {
    it.skipIf(missingData(set))(`sees neither trail nor rotation in ${file} of the open data set ${set}`, () => {
      const { starCount, trails, fieldMap } = measureFrame(readFits(join(openDataPath(set), file)));
      expect(starCount).toBeGreaterThan(20);
      expect(trails).toEqual([]);
      expect(fieldMap.rotation?.significance ?? 0).toBeLessThan(5);
    });
  }
  it.each([["a satellite", 0, 0], ["an aircraft with lamps", 9, 46]] as const)(
    "is not misled about the stars by the trail of %s, on a mosaic with few stars",
    (_name, doublePixels, blinkPixels) => {
      const rig = resizeRig(pocketRig, { width: 640, height: 480 });
      const sky = starScene({ seed: 8, starsToMagnitude15: 900, maximumMagnitude: 16 });
      const measure = (electronsPerPixel: number) => {
        const streaks = [{ through: [300, 250] as const, degrees: -38, electronsPerPixel, doublePixels, blinkPixels }];
        const seen = simulateFrame(rig, sky, { seed: 8, filter: "L", exposureSeconds: 10, fwhmArcsec: 6, streaks });
        return measureFrame(seen.image, { fullScaleAdu: 2 ** rig.detector.bits - 1 });
      };
      const clear = measure(0);
      for (const electrons of [700, 4000]) {
        const marred = measure(electrons);
        expect(marred.trails.length).toBeGreaterThan(0);
        // other stars than in the clear frame, some of 120, each known to a tenth: two standard errors
        expect(Math.abs(marred.fwhmPixels / clear.fwhmPixels - 1)).toBeLessThan(0.045);
        expect(marred.starCount).toBeLessThanOrEqual(clear.starCount);
      }
    },
  );
  it("tells missing, constant and saturated areas", () => {
    const image = scene({});
    const with_ = (of: (v: number, i: number) => number) =>
      measureFrame(createImage({ ...image, planes: [{ channel: "L", data: image.planes[0].data.map(of) }] }), {
        fullScaleAdu: 4095,
      });
    expect(with_((v, i) => i < 640 * 120 ? NaN : v).missingShare).toBeCloseTo(0.25, 2);
    expect(with_((v, i) => i < 640 * 120 ? 0 : v).constantShare).toBeCloseTo(0.25, 1);
    expect(with_((v, i) => i < 640 * 120 ? 4095 : v).saturatedShare).toBeCloseTo(0.25, 1);
  });
  it("survives frames with nothing in them, and refuses nonsense", () => {
    for (const image of [constantImage(3, 3, 1), constantImage(200, 150, 0)]) {
      const q = measureFrame(image);
      expect(q.starCount).toBe(0);
      expect(q.fwhmPixels).toBeNaN();
      expect(q.fwhmArcsec).toBeNull();
    }
    expect(() => measureFrame(constantImage(200, 150, NaN))).toThrow("must hold at least one number");
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
        const u = (x - 999.5) / radius;
        const v = (y - 699.5) / radius;
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
    const angle = 0.25 * Math.PI / 180;
    const cx = 700;
    const cy = 900;
    const s2 = (3 / 2.3548200450309493) ** 2;
    const map = mapField(
      shaped((x, y) => {
        const dx = x - cx;
        const dy = y - cy;
        const add = (dx * dx + dy * dy) * angle * angle / 12;
        // along the tangent: position angle of the radius plus 90°
        const chi = add / (2 * s2 + add);
        const direction = 2 * (Math.atan2(dy, dx) + Math.PI / 2);
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
  it("knows a trail of 1.309 pixels 1800 pixels out, eccentricity 0.244284, for 15° an hour in 10 s (by formula)", () => {
    // a² − b² = (ρ Δφ)² / 12, b = 1.5; without noise
    const s2 = 1.5 ** 2;
    const e2 = 0.244284 ** 2;
    const add = s2 * e2 / (1 - e2) / 1800 ** 2;
    const exact = shaped(() => ({ fwhm: 3, shape: [0, 0] })).map((star): Star => {
      const dx = star.x + 300;
      const dy = star.y + 200;
      const more = (dx * dx + dy * dy) * add;
      const chi = more / (2 * s2 + more);
      const direction = 2 * (Math.atan2(dy, dx) + Math.PI / 2);
      return {
        ...star,
        fwhmPixels: 2.3548200450309493 * Math.sqrt(Math.sqrt(s2 * (s2 + more))),
        shape: [chi * Math.cos(direction), chi * Math.sin(direction)],
      };
    });
    const degrees = mapField(exact, 2000, 1400).rotation?.degrees ?? NaN;
    expect(Math.abs(degrees - 15 * 10 / 3600)).toBeLessThan(1e-6);
    expect(Math.abs(1800 * degrees * Math.PI / 180 - 1.309)).toBeLessThan(1e-5);
  });
  it("hears the outer stars of a long rotation, not the middle where none trails", () => {
    // 2° a frame, two thirds of the stars within 150 pixels of the centre
    const angle = 2 * Math.PI / 180;
    const s2 = 1.2 ** 2;
    const random = randomStream(9);
    const list = Array.from({ length: 90 }, (_, i): Star => {
      const far = i % 3 === 0 ? 150 + 230 * random.uniform() : 150 * random.uniform();
      const at = 2 * Math.PI * random.uniform();
      const more = (far * angle) ** 2 / 12;
      const chi = more / (2 * s2 + more);
      const noise = () => 0.03 * random.gaussian();
      return {
        ...shaped(() => ({ fwhm: 3, shape: [0, 0] }))[0],
        x: 303.5 + far * Math.cos(at),
        y: 227.5 + far * Math.sin(at),
        fwhmPixels: 2.3548200450309493 * Math.sqrt(Math.sqrt(s2 * (s2 + more))),
        shape: [-chi * Math.cos(2 * at) + noise(), -chi * Math.sin(2 * at) + noise()],
      };
    });
    const rotation = mapField(list, 608, 456).rotation;
    expect(rotation?.significance).toBeGreaterThan(20);
    expect(Math.abs((rotation?.degrees ?? 0) / 2 - 1)).toBeLessThan(0.05);
    expect(Math.hypot((rotation?.centre.x ?? 0) - 303.5, (rotation?.centre.y ?? 0) - 227.5)).toBeLessThan(10);
  });
  it("does not take radial elongation for rotation", () => {
    const map = mapField(
      shaped((x, y) => {
        const dx = (x - 1000) / 1220;
        const dy = (y - 700) / 1220;
        return { fwhm: 3, shape: [0.2 * (dx * dx - dy * dy), 0.2 * 2 * dx * dy] };
      }),
      2000,
      1400,
    );
    expect(map.rotation).toBeNull();
    expect(Math.abs(map.radialShape - 0.2)).toBeLessThan(0.03);
  });
});

describe("fitFocusRun", () => {
  it("reads best position 12, least half-flux radius 1.8 and slope 0.03 off five widths (numpy's polyfit on the squares)", () => {
    const positions = [-100, -50, 0, 50, 100];
    const fit = fitFocusRun(positions, positions.map((z) => Math.hypot(1.8, 0.03 * (z - 12))));
    expect(Math.abs(fit.bestPosition - 12)).toBeLessThan(1e-9);
    expect(Math.abs(fit.leastWidth - 1.8)).toBeLessThan(1e-9);
    expect(Math.abs(fit.slope - 0.03)).toBeLessThan(1e-9);
  });
  it("does not follow one gust", () => {
    const positions = [-100, -75, -50, -25, 0, 25, 50, 75, 100];
    const widths = positions.map((z) => Math.hypot(1.8, 0.03 * (z - 12)));
    expect(Math.abs(fitFocusRun(positions, widths.with(6, 4.5)).bestPosition - 12)).toBeLessThan(3);
  });
  it("finds the tilt of a sensor as the slope of the cells' best positions", () => {
    // stars on three columns of a sensor whose right side lies 40 steps behind its left
    const positions = [-120, -60, 0, 60, 120];
    const best = [-20, 0, 20].map((shift) =>
      fitFocusRun(positions, positions.map((z) => Math.hypot(2.4, 0.04 * (z - shift)))).bestPosition
    );
    expect(Math.abs(best[2] - best[0] - 40)).toBeLessThan(1e-6);
    expect(median(best)).toBeCloseTo(0, 6);
  });
  it("says what is wrong with a run that has no focus in it", () => {
    expect(() => fitFocusRun([0, 1], [3, 2])).toThrow("positions with a width must be at least three, but got 2");
    expect(() => fitFocusRun([0, 1, 2], [3])).toThrow("3 positions and 1 widths");
    expect(() => fitFocusRun([0, 1, 2, 3], [2, 3, 4, 4.5])).toThrow("take positions on both sides of the focus");
  });
});

describe("measureFrame on whole steps of a coarse sensor", () => {
  /** Sky of a level between two steps with noise, counted in steps of so many ADU. */
  function countedSky(step: number, sigma: number, seed: string): Image {
    const random = randomStream(seed);
    const level = step * (300 + random.uniform());
    const data = Float32Array.from(
      { length: 400 * 300 },
      () => step * Math.round((level + sigma * random.gaussian()) / step),
    );
    return createImage({ width: 400, height: 300, unit: "adu", planes: [{ channel: "L", data }] });
  }
  // rounding adds a uniform deviation of one step, variance 1/12 (Sheppard's correction)
  for (const [step, sigma] of [[1, 0.5], [1, 0.7], [1, 1.2], [4, 3], [4, 8], [16, 8], [16, 20], [16, 50]]) {
    it(`tells a noise of ${sigma} ADU in steps of ${step} within 3 %, in the mean of eight frames`, () => {
      const truth = Math.hypot(sigma, step / Math.sqrt(12));
      const found = Array.from({ length: 8 }, (_, k) => measureFrame(countedSky(step, sigma, `coarse ${k}`)).noise);
      expect(found.reduce((sum, each) => sum + each, 0) / 8 / truth).toBeGreaterThan(0.97);
      expect(found.reduce((sum, each) => sum + each, 0) / 8 / truth).toBeLessThan(1.03);
      // the weight of a frame is 1 / noise²: what one frame's own sampling leaves is a few per cent
      for (const each of found) expect(Math.abs(each / truth - 1)).toBeLessThan(0.1);
    });
  }
});
