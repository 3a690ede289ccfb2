import { describe, expect, it } from "vitest";
import { combineDark } from "../../lib/calibrate/combine_dark.ts";
import { findDefects } from "../../lib/calibrate/find_defects.ts";
import { randomStream } from "../../lib/core/random.ts";
import { drawStars, testProfile } from "../support/scenes.ts";
import { imageOf, noisy } from "./support.ts";

const size = 128;
const hotAt = [500, 3000, 3001, 9999, 16000];

describe("findDefects", () => {
  const darks = Array.from({ length: 20 }, (_, k) => {
    const data = noisy(size, size, 200, 6, `dark ${k}`);
    for (const p of hotAt) data[p] += 400;
    // A pixel that jumps between two levels (random telegraph signal), and a mildly warm one that subtraction mends.
    if (k % 2 === 0) data[7000] += 60;
    data[7777] += 8;
    return imageOf(size, size, data);
  });

  it("finds hot and jumping pixels in a master dark, and next to none by chance", () => {
    const report = findDefects({ dark: combineDark(darks) });
    for (const p of [...hotAt, 7000]) expect(report.mask[p]).not.toBe(0);
    expect(report.mask[7777]).toBe(0);
    expect(report.hot).toBeGreaterThanOrEqual(5);
    expect(report.hot + report.noisy).toBeLessThanOrEqual(6 + 5);
  });

  it("finds pixels without response in a flat, phase by phase", () => {
    const data = noisy(size, size, 1, 0.01, 3).map((value, p) => value * (p % 2 === 0 ? 1 : 0.3));
    data[2000] *= 0.2;
    data[5001] *= 2.5;
    const report = findDefects({ flat: imageOf(size, size, data, "RGGB") });
    expect([report.cold, report.mask[2000] > 0, report.mask[5001] > 0]).toEqual([2, true, true]);
  });

  /** A light of 25 stars that move so many pixels from light to light, along x and y. */
  const sky = (k: number, [dx, dy] = [4.3, -2.6], fwhm = 2) => {
    const random = randomStream(`light ${k}`);
    const data = noisy(size, size, 300, 5, random.uniform());
    const stars = Array.from({ length: 25 }, (_, i) => {
      const place = randomStream(`star ${i}`);
      return {
        x: 10 + 100 * place.uniform() + dx * k,
        y: 10 + 100 * place.uniform() + dy * k,
        flux: 3000 + 20000 * place.uniform(),
      };
    });
    drawStars(data, size, size, stars, { ...testProfile, fwhm });
    for (const p of hotAt) data[p] += 400;
    return imageOf(size, size, data);
  };

  it("finds hot pixels in drifting lights and takes no star for one", () => {
    const report = findDefects({ lights: [0, 1, 2, 3, 4].map((k) => sky(k)) });
    for (const p of hotAt) expect(report.mask[p]).not.toBe(0);
    expect(report.hot + report.cold).toBeLessThanOrEqual(hotAt.length + 1);
  });

  it.each([0, 0.1, 0.3, 0.6, 1, 2])("takes no star that creeps by %d pixels a light for a defect", (creep) => {
    for (const fwhm of [2, 4]) {
      const lights = Array.from({ length: 9 }, (_, k) => sky(k, [creep, 0.4 * creep], fwhm));
      const report = findDefects({ lights });
      for (const p of [500, 9999, 16000]) expect(report.mask[p]).not.toBe(0);
      expect(report.hot + report.cold).toBeLessThanOrEqual(hotAt.length + 1);
    }
  });

  it("finds lone hot pixels in a single light and takes no star of 2 pixels FWHM for one", () => {
    const report = findDefects({ lights: [sky(0)] });
    for (const p of [500, 9999, 16000]) expect(report.mask[p]).not.toBe(0);
    expect(report.hot + report.cold).toBeLessThanOrEqual(hotAt.length + 1);
  });

  it("says what is wrong", () => {
    expect(() => findDefects({})).toThrow("must have a dark, a flat or lights");
    expect(() => findDefects({ dark: darks[0], flat: imageOf(2, 2, [1, 1, 1, 1]) })).toThrow("must have one size");
    expect(() => findDefects({ dark: darks[0] }, { falseAlarms: 0 })).toThrow("falseAlarms must be > 0");
  });
});
