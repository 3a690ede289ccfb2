/** Limits that the mount sets. */
import { describe, expect, it } from "vitest";
import { longestSubForRotation, polarDrift, polarTolerance } from "faintlight/plan";
import { horizonPosition, parallacticAngle } from "faintlight/sky";

describe("longestSubForRotation", () => {
  it("lets an edge smear by the angle that the parallactic angle of Meeus 1998, equation 14.1, turns meanwhile", () => {
    const [latitudeDegrees, hourAngle, declination] = [47, -20, 35];
    const place = { latitudeDegrees, ...horizonPosition(latitudeDegrees, hourAngle, declination) };
    const seconds = longestSubForRotation(place, { radiusPixels: 1000, smearPixels: 0.1 });
    const turn = seconds * 15.041069 / 3600;
    const [from, to] = [-turn / 2, turn / 2].map((step) =>
      parallacticAngle(latitudeDegrees, hourAngle + step, declination)
    );
    expect(Math.abs(to - from) * Math.PI / 180 * 1000).toBeCloseTo(0.1, 6);
  });

  it("sets no limit due east", () => {
    const place = { latitudeDegrees: 50, altitudeDegrees: 40, azimuthDegrees: 90 };
    expect(longestSubForRotation(place, { radiusPixels: 1000, smearPixels: 1 })).toBeGreaterThan(1e12);
  });
});

describe("polarDrift", () => {
  it("is what the sky turns, times the error: 15.04″ a second over an arcminute in radians", () => {
    expect(polarDrift(1)).toBeCloseTo(60 * 15.041069 * (1 / 60) * Math.PI / 180, 5);
  });
});

describe("polarTolerance", () => {
  it("agrees with Hook 1989: E = 45 000 S cos δ / (T F A)", () => {
    // as quoted widely: error E in arcminutes, S µm on the sensor, T minutes, F mm, A degrees from guide star to edge
    const [S, T, F, A, declinationDegrees] = [4, 10, 800, 0.9, 40];
    const hook = 45000 * S * Math.cos(declinationDegrees * Math.PI / 180) / (T * F * A);
    const pixelMicrometres = 4;
    const radiusPixels = A * Math.PI / 180 * F * 1000 / pixelMicrometres;
    const ours = polarTolerance({
      subSeconds: 60 * T,
      declinationDegrees,
      radiusPixels,
      smearPixels: S / pixelMicrometres,
    });
    expect(ours / hook).toBeCloseTo(1, 2);
  });
});
