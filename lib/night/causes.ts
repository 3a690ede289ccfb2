/** What can be wrong with a frame, and what to do about it next time. */

/** Causes a frame's verdict can name. */
export type Cause =
  | "clear sky"
  | "cloud"
  | "dew or haze"
  | "defocus"
  | "focus drift"
  | "poor seeing"
  | "drift trailing"
  | "field rotation"
  | "guiding jump"
  | "wind shake"
  | "atmospheric dispersion"
  | "tilt"
  | "curved field"
  | "lens cap or shutter closed"
  | "twilight"
  | "moonlight"
  | "satellite or aircraft"
  | "off target"
  | "part of the field hidden"
  | "overexposed"
  | "corrupt file"
  | "duplicate"
  | "wrong calibration";

/** What helps against each cause. */
export const remedies: { readonly [Name in Cause]: string } = Object.freeze({
  "clear sky": "",
  "cloud": "wait for clear sky; keep what was taken before and after",
  "dew or haze": "heat the optics before dew falls and use a dew shield; wait while there is haze",
  "defocus": "focus again before going on, and lock the focuser",
  "focus drift": "refocus every hour or two degrees, or let the focuser follow the temperature",
  "poor seeing": "nothing on the rig; shoot higher in the sky and on calmer nights",
  "drift trailing": "improve polar alignment, guide, or shorten the exposure",
  "field rotation": "shorten the exposure, or align the polar axis; on an alt-azimuth mount stay away from the zenith",
  "guiding jump": "wait for guiding to settle after a dither, secure cables, check backlash",
  "wind shake": "shelter the telescope from the wind, or shorten the exposure",
  "atmospheric dispersion": "shoot higher in the sky, or through a narrower filter",
  "tilt": "square the sensor to the optical axis: adjust the tilt plate, check for sag in the train",
  "curved field": "check the distance from the corrector to the sensor",
  "lens cap or shutter closed": "open the cap; check the shutter before the run",
  "twilight": "start once evening twilight has ended and stop before the morning's begins (sun 18° below the horizon)",
  "moonlight": "shoot narrowband, or further from the moon",
  "satellite or aircraft": "none needed: rejection takes the trail out of the stack",
  "off target": "check where the mount points before the run and after a meridian flip",
  "part of the field hidden":
    "see what stands in the way (roof, tree, dome, dew shield) and start later or stop sooner",
  "overexposed": "shorten the exposure or lower the gain",
  "corrupt file": "copy the file again; check the disk and the cable",
  "duplicate": "none needed: one copy is used",
  "wrong calibration":
    "take darks of the lights' exposure, gain, offset and temperature, and flats of their filter; see calibration.csv",
});
