/**
 * Colour spaces, number by number. Nothing is defined here.
 * @module
 */

// core
export {
  lightnessToLuminance,
  linearToOklab,
  linearToSrgb,
  oklabToLinear,
  oklabToSrgb,
  srgbToLinear,
  type Triple,
} from "../core/colour_space.ts";
