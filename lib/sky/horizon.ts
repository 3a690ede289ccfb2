/** How the sky stands over a place, and how it turns in the field of an alt-azimuth mount. */
import { atan2Portable, cosPortable, sinPortable } from "../kernels/elementary.ts";

const degree = Math.PI / 180;
const sind = (x: number) => sinPortable(x * degree);
const cosd = (x: number) => cosPortable(x * degree);

/** Turn of the sky, degrees an hour of clock time. */
export const siderealDegreesAnHour = 15.041069;

/**
 * Local sidereal time as an angle.
 *
 * @param dateUtc ISO date and time, UTC, without zone
 * @param longitudeDegrees east positive
 * @returns degrees, 0 … 360 (Meeus 1998, Astronomical Algorithms, equation 12.4, without the terms below 0.1″ a
 * century)
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { siderealTimeDegrees } from "faintlight/sky";
 *
 * assert.ok(Math.abs(siderealTimeDegrees("2000-01-01T12:00:00", 0) - 280.46061837) < 1e-8);
 * ```
 */
export function siderealTimeDegrees(dateUtc: string, longitudeDegrees: number): number {
  const days = (Date.parse(`${dateUtc}Z`) - Date.UTC(2000, 0, 1, 12)) / 86400000;
  const angle = 280.46061837 + 360.98564736629 * days + longitudeDegrees;
  return angle - 360 * Math.floor(angle / 360);
}

/**
 * Altitude and azimuth, degrees; azimuth from north through east.
 *
 * @param latitudeDegrees of the place
 * @param hourAngleDegrees negative in the east
 * @param declinationDegrees of the target
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { horizonPosition } from "faintlight/sky";
 *
 * assert.ok(Math.abs(horizonPosition(50, 0, 20).altitudeDegrees - 60) < 1e-9);
 * ```
 */
export function horizonPosition(
  latitudeDegrees: number,
  hourAngleDegrees: number,
  declinationDegrees: number,
): { altitudeDegrees: number; azimuthDegrees: number } {
  const up = sind(latitudeDegrees) * sind(declinationDegrees) +
    cosd(latitudeDegrees) * cosd(declinationDegrees) * cosd(hourAngleDegrees);
  const north = sind(declinationDegrees) * cosd(latitudeDegrees) -
    cosd(declinationDegrees) * sind(latitudeDegrees) * cosd(hourAngleDegrees);
  const east = -cosd(declinationDegrees) * sind(hourAngleDegrees);
  const azimuth = atan2Portable(east, north) / degree;
  return {
    altitudeDegrees: atan2Portable(up, Math.sqrt(north * north + east * east)) / degree,
    azimuthDegrees: azimuth < 0 ? azimuth + 360 : azimuth,
  };
}

/**
 * Parallactic angle: from the direction of the pole to that of the zenith, through east; degrees
 * (Meeus 1998, equation 14.1). A camera on an alt-azimuth mount turns against the sky by its change.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { parallacticAngle } from "faintlight/sky";
 *
 * assert.ok(Math.abs(parallacticAngle(50, 15, 20) - 18.150173) < 1e-6);
 * ```
 */
export function parallacticAngle(
  latitudeDegrees: number,
  hourAngleDegrees: number,
  declinationDegrees: number,
): number {
  return atan2Portable(
    sind(hourAngleDegrees) * cosd(latitudeDegrees),
    sind(latitudeDegrees) * cosd(declinationDegrees) -
      cosd(latitudeDegrees) * sind(declinationDegrees) * cosd(hourAngleDegrees),
  ) / degree;
}

/**
 * Rate of field rotation towards a place over the horizon, degrees an hour: −ω cos φ cos A / cos h. Infinite in the
 * zenith.
 *
 * @example Nothing turns due east
 * ```ts
 * import assert from "node:assert/strict";
 * import { rotationRateTowards } from "faintlight/sky";
 *
 * assert.ok(Math.abs(rotationRateTowards(50, 40, 90)) < 1e-12);
 * ```
 */
export const rotationRateTowards = (
  latitudeDegrees: number,
  altitudeDegrees: number,
  azimuthDegrees: number,
): number => -siderealDegreesAnHour * cosd(latitudeDegrees) * cosd(azimuthDegrees) / cosd(altitudeDegrees);

/**
 * Rate of field rotation of a star, degrees an hour. Infinite in the zenith.
 *
 * @example On the meridian at 60° altitude
 * ```ts
 * import assert from "node:assert/strict";
 * import { fieldRotationRate } from "faintlight/sky";
 *
 * assert.ok(Math.abs(fieldRotationRate(50, 0, 20) - 19.336425) < 1e-5);
 * ```
 */
export function fieldRotationRate(
  latitudeDegrees: number,
  hourAngleDegrees: number,
  declinationDegrees: number,
): number {
  const { altitudeDegrees, azimuthDegrees } = horizonPosition(latitudeDegrees, hourAngleDegrees, declinationDegrees);
  return rotationRateTowards(latitudeDegrees, altitudeDegrees, azimuthDegrees);
}

/**
 * Thickness of air passed, in units of that in the zenith (plane-parallel with the correction of Young & Irvine 1967).
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { airmass } from "faintlight/sky";
 *
 * assert.equal(airmass(90), 1);
 * ```
 */
export function airmass(altitudeDegrees: number): number {
  const secant = 1 / sind(Math.max(altitudeDegrees, 3));
  return secant * (1 - 0.0012 * (secant * secant - 1));
}
