/**
 * World coordinates, horizon positions, sidereal time and airmass. Nothing is defined here.
 * @module
 */

// core
import "../host/deno.ts";

export { isTangential, pixelToSky, type SkyPoint, skyToPixel, wcsArcsecPerPixel } from "../core/wcs.ts";

// sky
export {
  airmass,
  fieldRotationRate,
  horizonPosition,
  parallacticAngle,
  rotationRateTowards,
  siderealDegreesAnHour,
  siderealTimeDegrees,
} from "../sky/horizon.ts";
