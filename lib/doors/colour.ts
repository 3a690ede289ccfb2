/**
 * Colour spaces, number by number. Nothing is defined here.
 * @module
 */

// core
import "../host/deno.ts";

export {
  lightnessToLuminance,
  linearToOklab,
  linearToSrgb,
  oklabToLinear,
  oklabToSrgb,
  srgbToLinear,
  type Triple,
} from "../core/colour_space.ts";
export { wavelengthOfFilter } from "../colour/filter_wavelengths.ts";
