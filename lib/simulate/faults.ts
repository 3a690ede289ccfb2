/** Everything that can go wrong with a light frame, one by one, with settings. */

/** A fault and what to expect of it. */
export interface Fault {
  /** Cause that a night report should name. */
  readonly cause: string;
  /** Whether the frame is worth keeping all the same. */
  readonly keep: boolean;
  /** What happens, for a person. */
  readonly description: string;
  /** Settings with their defaults; the unit stands in the name. */
  readonly settings: { readonly [name: string]: number };
}

/** Settings of a fault by name. */
export interface FaultSettings {
  /** Value of a setting. */
  readonly [name: string]: number;
}

/** Names of the faults of a light frame. */
export type FaultName =
  | "none"
  | "cloud"
  | "dark-cloud"
  | "dew"
  | "defocus"
  | "focus-drift"
  | "poor-seeing"
  | "drift"
  | "field-rotation"
  | "guiding-jump"
  | "wind"
  | "tilt"
  | "dispersion"
  | "obstruction"
  | "off-target"
  | "cap"
  | "twilight"
  | "satellite"
  | "aircraft";

const fault = (
  cause: string,
  keep: boolean,
  description: string,
  settings: { readonly [name: string]: number } = {},
): Fault => Object.freeze({ cause, keep, description, settings: Object.freeze(settings) });

/** Every fault of a light frame, each available singly. Faults of files and calibration sets are made by the night. */
export const knownFaults: { readonly [Name in FaultName]: Fault } = Object.freeze({
  none: fault("clear sky", true, "nothing is wrong"),
  cloud: fault("cloud", false, "cloud lit from below: stars fade, the sky brightens", { opacity: 0.9, light: 1.5 }),
  "dark-cloud": fault("cloud", false, "cloud over a dark site: stars and sky fade", { opacity: 0.9, light: -0.3 }),
  dew: fault("dew or haze", false, "dew on the optics: stars fade, widen and grow halos", {
    opacity: 0.5,
    halo: 0.35,
    widening: 1.35,
  }),
  defocus: fault("defocus", false, "stars become discs, or rings with a central obstruction", { ringPixels: 6 }),
  "focus-drift": fault("focus drift", false, "the focus has crept away with the temperature", { ringPixels: 2.4 }),
  "poor-seeing": fault("poor seeing", false, "the air boils: stars wide and round, their profile as ever", {
    widening: 1.55,
  }),
  drift: fault("drift trailing", false, "the mount drifts during the exposure", { lengthPixels: 7, degrees: 25 }),
  "field-rotation": fault("field rotation", false, "the field turns round its middle during the exposure", {
    degrees: 0,
  }),
  "guiding-jump": fault("guiding jump", false, "guiding jumps once: every star is double", {
    dxPixels: 6,
    dyPixels: 3.5,
    share: 0.35,
  }),
  wind: fault("wind shake", false, "gusts shake the telescope", { sigmaPixels: 1.7, degrees: 100, flattening: 0.45 }),
  tilt: fault("tilt", true, "the sensor is not square to the light: stars grow towards one side", { tilt: 1.3 }),
  dispersion: fault("atmospheric dispersion", false, "low in the sky the air draws stars out into short spectra", {
    altitudeDegrees: 15,
  }),
  obstruction: fault("something in the way", false, "something stands before a part of the field", {
    share: 0.4,
    degrees: 70,
    softness: 0.35,
  }),
  "off-target": fault("off target", false, "the mount points beside the target", { widths: 0.9, degrees: 40 }),
  cap: fault("lens cap or shutter closed", false, "no light gets in"),
  twilight: fault("twilight", false, "dawn brightens the sky", { ratio: 14 }),
  satellite: fault("satellite or aircraft", true, "a satellite crosses", { electronsPerPixel: 420, degrees: 24 }),
  aircraft: fault("satellite or aircraft", true, "an aircraft crosses with flashing lamps", {
    electronsPerPixel: 700,
    degrees: -38,
    doublePixels: 9,
    blinkPixels: 46,
  }),
});
