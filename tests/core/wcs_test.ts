import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { Wcs } from "../../lib/doors/geometry.ts";
import { isTangential, pixelToSky, skyToPixel, wcsArcsecPerPixel } from "../../lib/doors/sky.ts";

const cd = 0.5454 / 3600;
const orion: Wcs = {
  ctype: ["RA---TAN", "DEC--TAN"],
  referencePixel: { x: 511, y: 511 },
  referenceDegrees: [83.8221, -5.3911],
  cd: [-cd, 0, 0, cd],
};

describe("sky coordinates", () => {
  it("agree with wcslib (astropy.wcs) at two corners", () => {
    const first = pixelToSky(orion, { x: 0, y: 0 });
    const last = pixelToSky(orion, { x: 1023, y: 1023 });
    expect(Math.abs(first.ra - 83.89987034)).toBeLessThan(1e-8);
    expect(Math.abs(first.dec + 5.46851145)).toBeLessThan(1e-8);
    expect(Math.abs(last.ra - 83.74419736)).toBeLessThan(1e-8);
    expect(Math.abs(last.dec + 5.31352716)).toBeLessThan(1e-8);
  });
  it("come back to the pixel, anywhere on the sky and however turned", () => {
    const degrees = (most: number) => fc.double({ min: -most, max: most, noNaN: true });
    fc.assert(
      fc.property(degrees(180), degrees(89.9), degrees(180), degrees(3000), degrees(3000), (ra, dec, turn, x, y) => {
        const c = Math.cos(turn * Math.PI / 180) * cd;
        const s = Math.sin(turn * Math.PI / 180) * cd;
        const wcs: Wcs = { ...orion, referenceDegrees: [ra, dec], cd: [-c, s, s, c] };
        const back = skyToPixel(wcs, pixelToSky(wcs, { x, y }));
        // the angles carry 1e-16 of 360 degrees, a pixel is 1.5e-4 degrees
        expect(Math.hypot(back.x - x, back.y - y)).toBeLessThan(1e-6);
      }),
    );
  });
  it("are given east of north with a negative first coefficient, across 0 h", () => {
    const wcs: Wcs = { ...orion, referenceDegrees: [0.01, 0] };
    expect(pixelToSky(wcs, { x: 1000, y: 511 }).ra).toBeGreaterThan(359);
  });
  it("do not exist behind the projection's centre", () => {
    expect(skyToPixel(orion, { ra: 263.8, dec: 5.4 }).x).toBeNaN();
  });
  it("know their scale and what they cannot compute", () => {
    expect(wcsArcsecPerPixel(orion)).toBeCloseTo(0.5454, 12);
    const other: Wcs = { ...orion, ctype: ["RA---SIN", "DEC--SIN"] };
    expect(isTangential(other)).toBe(false);
    expect(() => pixelToSky(other, { x: 0, y: 0 })).toThrow(
      /wcs must be a TAN projection with longitude first, but is RA---SIN/,
    );
    expect(() => skyToPixel(other, { ra: 0, dec: 0 })).toThrow(TypeError);
  });
});
