import { describe, expect, it } from "vitest";
import {
  airmass,
  fieldRotationRate,
  horizonPosition,
  parallacticAngle,
  siderealTimeDegrees,
} from "../../lib/sky/horizon.ts";

describe("the sky over a place", () => {
  it("stands at altitude 57.7195°, azimuth 207.0904° for latitude 50°, hour angle 1 h, declination 20° (spherical astronomy)", () => {
    const { altitudeDegrees, azimuthDegrees } = horizonPosition(50, 15, 20);
    expect(Math.abs(altitudeDegrees - 57.7195)).toBeLessThan(1e-4);
    expect(Math.abs(azimuthDegrees - 207.0904)).toBeLessThan(1e-4);
  });

  it("has the sidereal time of Meeus 1998, example 12.b: 1987 April 10, 19h 21m UT, 8h 34m 57.09s", () => {
    const expected = (8 + 34 / 60 + 57.09 / 3600) * 15;
    expect(Math.abs(siderealTimeDegrees("1987-04-10T19:21:00", 0) - expected)).toBeLessThan(1e-4);
  });

  it("is one airmass thick in the zenith and 1.99 at 30° altitude (Young & Irvine 1967)", () => {
    expect(airmass(90)).toBeCloseTo(1, 12);
    expect(airmass(30)).toBeCloseTo(2 * (1 - 0.0012 * 3), 10);
  });
});

describe("field rotation", () => {
  // angle q (Meeus 1998, equation 14.1) and rate, computed numerically from the positions of the horizon system
  it.each([
    [50, 15, 20, 18.150173, 16.116985],
    [35, -30, -5.39, -32.71234, 12.258635],
    [40, 45, 41.27, 76.922063, -6.098075],
  ])("latitude %s, hour angle %s°, declination %s: q %s, %s °/h", (latitude, hour, declination, angle, rate) => {
    expect(Math.abs(parallacticAngle(latitude, hour, declination) - angle)).toBeLessThan(1e-5);
    expect(Math.abs(fieldRotationRate(latitude, hour, declination) - rate)).toBeLessThan(1e-5);
  });

  it("is 19.336425 °/h on the meridian at 60° altitude", () => {
    expect(Math.abs(fieldRotationRate(50, 0, 20) - 19.336425)).toBeLessThan(1e-5);
  });

  it("agrees with astropy: 11.0622 °/h for 2020-01-15 21:00 UTC, latitude 50, RA 83.8221, declination −5.3911 (ICRS)", () => {
    // precession of 20.04 years, 46.12″ + 20.04″ sin α tan δ and 20.04″ cos α a year (Meeus 1998, chapter 21)
    const radian = Math.PI / 180;
    const years = 20.04;
    const ra = 83.8221 * radian;
    const dec = -5.3911 * radian;
    const raOfDate = 83.8221 + years * (46.12 + 20.04 * Math.sin(ra) * Math.tan(dec)) / 3600;
    const decOfDate = -5.3911 + years * 20.04 * Math.cos(ra) / 3600;
    const at = (time: string) => parallacticAngle(50, siderealTimeDegrees(time, 0) - raOfDate, decOfDate);
    const rate = 60 * (at("2020-01-15T21:01:00") - at("2020-01-15T21:00:00"));
    expect(Math.abs(rate - 11.0622)).toBeLessThan(0.005); // nutation and aberration are left out
  });
});
