/** How long a sub may be before the mount draws its stars out: a turning field, a pole that was missed. */
import { rotationRateTowards, siderealDegreesAnHour } from "../sky/horizon.ts";

const degree = Math.PI / 180;

/** A place on the sky as an alt-azimuth mount sees it, and the place it stands at; degrees. */
export interface PointingPlace {
  /** Of the place, north positive. */
  readonly latitudeDegrees: number;
  /** Above the horizon, below 90. */
  readonly altitudeDegrees: number;
  /** From north through east. */
  readonly azimuthDegrees: number;
}

/** What is accepted at the edge of the field. */
export interface SmearLimit {
  /** Distance of the edge from the middle of the turn, pixels. */
  readonly radiusPixels: number;
  /** Length of the arc that is accepted there, pixels. */
  readonly smearPixels: number;
}

/**
 * Longest sub of an alt-azimuth mount without a rotator, seconds: the smear over the radius over the rate of field
 * rotation, ω cos φ cos A / cos h (the derivative of Meeus 1998, equation 14.1). Infinite due east and west.
 *
 * @param place where the mount stands and points
 * @param limit what is accepted at the edge
 *
 * @example Low in the south a field turns slowly, high in the south quickly
 * ```ts
 * import assert from "node:assert/strict";
 * import { longestSubForRotation } from "faintlight/plan";
 *
 * const limit = { radiusPixels: 1000, smearPixels: 1 };
 * const south = { latitudeDegrees: 50, azimuthDegrees: 180 };
 * assert.equal(longestSubForRotation({ ...south, altitudeDegrees: 30 }, limit).toFixed(1), "18.5");
 * assert.equal(longestSubForRotation({ ...south, altitudeDegrees: 80 }, limit).toFixed(1), "3.7");
 * ```
 */
export function longestSubForRotation(place: PointingPlace, limit: SmearLimit): number {
  const { latitudeDegrees, altitudeDegrees, azimuthDegrees } = place;
  const rate = Math.abs(rotationRateTowards(latitudeDegrees, altitudeDegrees, azimuthDegrees)) * degree / 3600;
  return limit.smearPixels / (limit.radiusPixels * rate);
}

/**
 * Drift in declination for a pole missed by an angle, arcseconds a minute, at the hour angle where it is largest: ω ε,
 * 0.26″ a minute for each arcminute. Unguided stars trail by it; guided ones turn instead.
 *
 * @param poleErrorArcmin distance of the mount's pole from the true one
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { polarDrift } from "faintlight/plan";
 *
 * assert.equal(polarDrift(10).toFixed(2), "2.63");
 * ```
 */
export const polarDrift = (poleErrorArcmin: number): number =>
  poleErrorArcmin * 60 * siderealDegreesAnHour * degree / 60;

/** A guided sub whose field may turn a little. */
export interface GuidedSub extends SmearLimit {
  /** Length of the sub. */
  readonly subSeconds: number;
  /** Of the target. */
  readonly declinationDegrees: number;
}

/**
 * How far the mount's pole may be from the true one, arcminutes, where the guide star holds the middle: what turns the
 * field is ω ε / cos δ (Hook 1989, J. Br. Astron. Assoc. 99, 19).
 *
 * @param sub length, declination and what is accepted at the edge
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { polarTolerance } from "faintlight/plan";
 *
 * const sub = { subSeconds: 300, declinationDegrees: 60, radiusPixels: 2000, smearPixels: 0.5 };
 * assert.equal(polarTolerance(sub).toFixed(1), "19.6");
 * ```
 */
export function polarTolerance({ subSeconds, declinationDegrees, radiusPixels, smearPixels }: GuidedSub): number {
  const turnedBySky = siderealDegreesAnHour * degree * subSeconds / 3600;
  const error = smearPixels * Math.cos(declinationDegrees * degree) / (radiusPixels * turnedBySky);
  return error / degree * 60;
}
