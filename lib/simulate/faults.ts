/** Everything that can go wrong with a light frame, one by one, with settings. */
import { square } from "./square.ts";
import type { RandomStream } from "../core/random.ts";
import { cosPortable, sinPortable } from "../kernels/elementary.ts";
import { fieldRotationRate } from "../sky/horizon.ts";
import type { FrameConditions } from "./frame_conditions.ts";
import type { MotionStep } from "./render_stars.ts";
import { arcsecPerPixelOf, type Rig } from "./rig.ts";

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

/** A line of steps of equal share, `length` pixels long, about the nominal place. */
function line(length: number, degrees: number): readonly MotionStep[] {
  const count = Math.max(2, Math.ceil(length / 0.6));
  const c = cosPortable(degrees * Math.PI / 180);
  const s = sinPortable(degrees * Math.PI / 180);
  return Array.from({ length: count }, (_, i) => {
    const at = length * ((i + 0.5) / count - 0.5);
    return { dx: at * c, dy: at * s, rotationDegrees: 0, share: 1 / count };
  });
}

/** A random walk with a pull to the middle, longer along one direction. */
function shake(sigma: number, degrees: number, flattening: number, random: RandomStream): readonly MotionStep[] {
  const count = 24;
  const c = cosPortable(degrees * Math.PI / 180);
  const s = sinPortable(degrees * Math.PI / 180);
  let along = 0;
  let across = 0;
  return Array.from({ length: count }, () => {
    along = 0.5 * along + Math.sqrt(0.75) * sigma * random.gaussian();
    across = 0.5 * across + Math.sqrt(0.75) * sigma * flattening * random.gaussian();
    return { dx: along * c - across * s, dy: along * s + across * c, rotationDegrees: 0, share: 1 / count };
  });
}

/** Conditions of a frame after a fault has struck. */
export function faultConditions(
  rig: Rig,
  clear: FrameConditions,
  name: FaultName,
  settings: FaultSettings,
  random: RandomStream,
): FrameConditions {
  const known = Object.keys(knownFaults[name].settings);
  for (const each of Object.keys(settings)) {
    if (!known.includes(each)) {
      throw new TypeError(
        `simulateFrame: fault "${name}" has no setting "${each}"; ${
          known.length === 0 ? "it has none" : `known are ${known.join(", ")}`
        }`,
      );
    }
  }
  const s = settings;
  switch (name) {
    case "none":
      return clear;
    case "cloud":
    case "dark-cloud":
      return { ...clear, opacity: clear.opacity + s.opacity, cloudLight: s.light };
    case "dew":
      return {
        ...clear,
        opacity: clear.opacity + s.opacity,
        opacityVariation: 0.05,
        cloudLight: 0.1,
        haloShare: s.halo,
        fwhmArcsec: (clear.fwhmArcsec ?? rig.fwhmArcsec) * s.widening,
      };
    case "defocus":
    case "focus-drift":
      return { ...clear, defocusPixels: s.ringPixels };
    case "poor-seeing":
      return { ...clear, fwhmArcsec: (clear.fwhmArcsec ?? rig.fwhmArcsec) * s.widening };
    case "drift":
      return { ...clear, motion: line(s.lengthPixels, s.degrees) };
    case "field-rotation": {
      // by default what an alt-azimuth mount does in a long sub, an hour and a half from the meridian at 50° latitude
      const turn = s.degrees !== 0 ? s.degrees : fieldRotationRate(50, 22.5, 20) * clear.exposureSeconds / 3600;
      const corner = Math.sqrt(square(rig.width) + square(rig.height)) / 2 * Math.abs(turn) * Math.PI / 180;
      const count = Math.min(64, Math.max(2, Math.ceil(corner / 0.6)));
      return {
        ...clear,
        motion: Array.from({ length: count }, (_, i) => ({
          dx: 0,
          dy: 0,
          rotationDegrees: turn * ((i + 0.5) / count - 0.5),
          share: 1 / count,
        })),
      };
    }
    case "guiding-jump":
      return {
        ...clear,
        motion: [
          { dx: 0, dy: 0, rotationDegrees: 0, share: 1 - s.share },
          { dx: s.dxPixels, dy: s.dyPixels, rotationDegrees: 0, share: s.share },
        ],
      };
    case "wind":
      return { ...clear, motion: shake(s.sigmaPixels, s.degrees, s.flattening, random) };
    case "tilt":
      return { ...clear, tilt: s.tilt };
    case "dispersion":
      return { ...clear, dispersion: 1, altitudeDegrees: s.altitudeDegrees };
    case "obstruction":
      return { ...clear, obstacle: { share: s.share, degrees: s.degrees, softness: s.softness } };
    case "off-target": {
      const away = s.widths * rig.width * arcsecPerPixelOf(rig);
      const angle = s.degrees * Math.PI / 180;
      return {
        ...clear,
        pointing: [clear.pointing[0] + away * cosPortable(angle), clear.pointing[1] + away * sinPortable(angle)],
      };
    }
    case "cap":
      return { ...clear, shutterOpen: false };
    case "twilight":
      return {
        ...clear,
        extraSky: [...clear.extraSky, {
          ratio: s.ratio,
          temperatureK: 9500,
          slope: 0.25,
          bend: 0.05,
          positionAngleDegrees: 120,
        }],
      };
    case "satellite":
    case "aircraft":
      return {
        ...clear,
        streaks: [...clear.streaks, {
          through: [rig.width * (0.35 + 0.3 * random.uniform()), rig.height * (0.35 + 0.3 * random.uniform())],
          degrees: s.degrees,
          electronsPerPixel: s.electronsPerPixel,
          doublePixels: s.doublePixels ?? 0,
          blinkPixels: s.blinkPixels ?? 0,
        }],
      };
  }
}
