/**
 * The next night: scale and field, length of a sub, hours for a wanted SNR, limits of the mount. Nothing is defined
 * here.
 * @module
 */

// plan
import "../host/deno.ts";

export { fieldAlong, imageScale } from "../plan/image_scale.ts";
export {
  type GuidedSub,
  longestSubForRotation,
  type PointingPlace,
  polarDrift,
  polarTolerance,
  type SmearLimit,
} from "../plan/mount_limits.ts";
export {
  hoursForSnr,
  type PixelSignal,
  type PlannedExposure,
  plannedSnr,
  readNoiseExcess,
  shortestSub,
} from "../plan/sub_length.ts";
