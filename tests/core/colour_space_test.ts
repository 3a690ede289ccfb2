import { describe, expect, it } from "vitest";
import {
  cubeRoot,
  lightnessToLuminance,
  linearToOklab,
  linearToSrgb,
  oklabToLinear,
  oklabToSrgb,
  srgbToLinear,
} from "../../lib/core/colour_space.ts";

const near = (actual: number, wanted: number, tolerance: number) =>
  expect(Math.abs(actual - wanted), `${actual} against ${wanted}`).toBeLessThanOrEqual(tolerance);

type Three = readonly [number, number, number];

describe("transfer function", () => {
  it("gives the values of IEC 61966-2-1", () => {
    near(linearToSrgb(0.01), 0.0998528227, 1e-9);
    near(linearToSrgb(0.18), 0.4613561295, 1e-9);
    near(linearToSrgb(0.5), 0.7353569831, 1e-9);
    near(srgbToLinear(0.5), 0.2140411405, 1e-9);
    near(srgbToLinear(128 / 255), 0.2158605001, 1e-9);
  });

  it("agrees with powers and returns where it came from", () => {
    for (let k = 1; k <= 1000; k++) {
      const x = k / 1000;
      if (x > 0.0031308) near(linearToSrgb(x), 1.055 * x ** (1 / 2.4) - 0.055, 1e-13);
      near(srgbToLinear(linearToSrgb(x)), x, 1e-13);
    }
    expect(linearToSrgb(NaN)).toBeNaN();
    expect(srgbToLinear(NaN)).toBeNaN();
  });
});

describe("cubeRoot", () => {
  it("agrees with the language's own over the whole range", () => {
    for (let e = -320; e < 308; e += 0.37) {
      const x = 10 ** e;
      near(cubeRoot(x) / Math.cbrt(x), 1, 4e-15);
      expect(cubeRoot(-x)).toBe(-cubeRoot(x));
    }
    expect(cubeRoot(0)).toBe(0);
    expect(cubeRoot(NaN)).toBeNaN();
    expect(cubeRoot(Infinity)).toBe(Infinity);
  });
});

describe("Oklab", () => {
  it("gives the published table of Ottosson 2020 (XYZ → Oklab, three digits)", () => {
    // Linear sRGB of the XYZ colours by the inverse of the sRGB matrix (IEC 61966-2-1).
    const linear = (x: number, y: number, z: number): Three => [
      3.2404542 * x - 1.5371385 * y - 0.4985314 * z,
      -0.969266 * x + 1.8760108 * y + 0.041556 * z,
      0.0556434 * x - 0.2040259 * y + 1.0572252 * z,
    ];
    const rows: readonly (readonly [Three, Three])[] = [
      [[0.95, 1, 1.089], [1, 0, 0]],
      [[1, 0, 0], [0.45, 1.236, -0.019]],
      [[0, 1, 0], [0.922, -0.671, 0.263]],
      [[0, 0, 1], [0.153, -1.415, -0.449]],
    ];
    for (const [xyz, lab] of rows) {
      const found = linearToOklab(...linear(...xyz));
      for (let k = 0; k < 3; k++) near(found[k], lab[k], 1.6e-3);
    }
  });

  it("gives the values of the published matrices for two colours", () => {
    const red = linearToOklab(1, 0, 0);
    const other = linearToOklab(...([0.25, 0.5, 0.75].map(srgbToLinear) as [number, number, number]));
    [0.627955, 0.224863, 0.125846].forEach((v, k) => near(red[k], v, 1e-5));
    [0.58555, -0.039415, -0.111505].forEach((v, k) => near(other[k], v, 1e-5));
  });

  it("returns where it came from, and shows only what the screen can, with the hue kept", () => {
    const colours: readonly Three[] = [[0.1, 0.2, 0.3], [1, 0, 0], [0, 0, 1], [0.5, 0.5, 0.5]];
    for (const colour of colours) {
      oklabToLinear(...linearToOklab(...colour)).forEach((v, k) => near(v, colour[k], 1e-6));
    }
    for (let h = 0; h < 360; h += 15) {
      const a = 0.5 * Math.cos(h * Math.PI / 180);
      const b = 0.5 * Math.sin(h * Math.PI / 180);
      const shown = oklabToSrgb(0.6, a, b).map(srgbToLinear) as [number, number, number];
      const back = linearToOklab(...shown);
      const turn = Math.atan2(back[2] * a - back[1] * b, back[1] * a + back[2] * b) * 180 / Math.PI;
      near(turn, 0, 0.2);
      near(back[0], 0.6, 1e-3);
    }
    expect(oklabToSrgb(NaN, 0, 0)[0]).toBeNaN();
  });

  it("lightness 15 and 50 by the formula of CIE 15:2004", () => {
    near(lightnessToLuminance(15), 0.019086, 1e-6);
    near(lightnessToLuminance(50), 0.184187, 1e-6);
    near(lightnessToLuminance(4), 4 / 903.2963, 1e-8);
  });
});
