/** Where a frame points: on the sky, above the horizon, and how the field turns meanwhile. */
import type { Matrix3 } from "../core/transform.ts";
import { cosPortable, sinPortable } from "../kernels/elementary.ts";
import { airmass, horizonPosition, parallacticAngle, siderealTimeDegrees } from "../sky/horizon.ts";
import { type FrameConditions, site } from "./frame_conditions.ts";
import { arcsecPerPixelOf, type Rig } from "./rig.ts";
import type { Scene } from "./scene.ts";

const degree = Math.PI / 180;

/** Degrees the sky turns in an hour of clock time. */
const skyDegreesPerHour = 15.041069;

/** Where a frame points in the middle of its exposure. */
export interface FramePointing {
  /** Altitude of the target, degrees. */
  readonly altitudeDegrees: number;
  /** Azimuth of the target, degrees. */
  readonly azimuthDegrees: number;
  /** Air before the target over that in the zenith. */
  readonly air: number;
  /** Position angle of the zenith, degrees. */
  readonly zenithDegrees: number;
  /** Position angle of the frame's top edge, degrees. */
  readonly upDegrees: number;
  /** Turn of the sky in the frame during the exposure, degrees. */
  readonly turnDegrees: number;
  /** From a pixel to the sky. */
  readonly skyMatrix: Matrix3;
}

/** Map from pixels to the sky for a frame that points at (east, north) with its top edge towards a position angle. */
export function skyMatrixOf(rig: Rig, pointing: readonly [number, number], upDegrees: number): Matrix3 {
  const s = arcsecPerPixelOf(rig);
  const c = s * cosPortable(upDegrees * degree);
  const d = s * sinPortable(upDegrees * degree);
  const xc = (rig.width - 1) / 2;
  const yc = (rig.height - 1) / 2;
  return [-c, -d, pointing[0] + c * xc + d * yc, d, -c, pointing[1] - d * xc + c * yc, 0, 0, 1];
}

/** Where a frame of these conditions points. */
export function framePointing(rig: Rig, scene: Scene, now: FrameConditions): FramePointing {
  const hourAngle = (after: number) =>
    siderealTimeDegrees(now.dateUtc, site.longitudeDegrees) + after * skyDegreesPerHour / 3600 -
    scene.rightAscensionDegrees;
  const parallactic = (after: number) =>
    parallacticAngle(site.latitudeDegrees, hourAngle(after), scene.declinationDegrees);

  const place = horizonPosition(
    site.latitudeDegrees,
    hourAngle(now.exposureSeconds / 2),
    scene.declinationDegrees,
  );
  const altitudeDegrees = now.altitudeDegrees ?? place.altitudeDegrees;
  const zenithDegrees = parallactic(now.exposureSeconds / 2);
  const altAz = rig.mount === "alt-azimuth";
  const upDegrees = now.upDegrees ?? (altAz ? zenithDegrees : 0);
  return {
    altitudeDegrees,
    azimuthDegrees: place.azimuthDegrees,
    air: airmass(altitudeDegrees),
    zenithDegrees,
    upDegrees,
    // a position angle grows against the sense from +x to +y, so the sky turns by +Δq in the frame
    turnDegrees: altAz ? parallactic(now.exposureSeconds) - parallactic(0) : 0,
    skyMatrix: skyMatrixOf(rig, now.pointing, upDegrees),
  };
}
