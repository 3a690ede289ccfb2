/** What each fault does to the conditions of a frame. */
import type { RandomStream } from "../core/random.ts";
import { cosPortable, sinPortable } from "../kernels/elementary.ts";
import { fieldRotationRate } from "../sky/horizon.ts";
import { type FaultName, type FaultSettings, knownFaults } from "./faults.ts";
import type { FrameConditions } from "./frame_conditions.ts";
import type { MotionStep } from "./render_stars.ts";
import { arcsecPerPixelOf, type Rig } from "./rig.ts";
import { square } from "./square.ts";

/** A fault that strikes. */
export interface Strike {
  /** Name of the fault. */
  readonly name: FaultName;
  /** Every setting with its value. */
  readonly settings: FaultSettings;
}

/** What a fault may look at. */
interface Struck {
  readonly rig: Rig;
  readonly clear: FrameConditions;
  readonly settings: FaultSettings;
  readonly random: RandomStream;
}

/** The conditions that a fault changes. */
type Changes = Partial<FrameConditions>;

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

/** The field turned about its middle in even steps. */
function turned(degrees: number, rig: Rig): readonly MotionStep[] {
  const corner = Math.sqrt(square(rig.width) + square(rig.height)) / 2 * Math.abs(degrees) * Math.PI / 180;
  const count = Math.min(64, Math.max(2, Math.ceil(corner / 0.6)));
  return Array.from({ length: count }, (_, i) => ({
    dx: 0,
    dy: 0,
    rotationDegrees: degrees * ((i + 0.5) / count - 0.5),
    share: 1 / count,
  }));
}

const widened = ({ rig, clear, settings }: Struck): number => (clear.fwhmArcsec ?? rig.fwhmArcsec) * settings.widening;

const cloudy = ({ clear, settings }: Struck): Changes => ({
  opacity: clear.opacity + settings.opacity,
  cloudLight: settings.light,
});

const dewy = (struck: Struck): Changes => ({
  opacity: struck.clear.opacity + struck.settings.opacity,
  opacityVariation: 0.05,
  cloudLight: 0.1,
  haloShare: struck.settings.halo,
  fwhmArcsec: widened(struck),
});

const defocused = ({ settings }: Struck): Changes => ({ defocusPixels: settings.ringPixels });

/** By default what an alt-azimuth mount does in a long sub, an hour and a half from the meridian at 50° latitude. */
function rotated({ rig, clear, settings }: Struck): Changes {
  const rate = fieldRotationRate(50, 22.5, 20);
  return { motion: turned(settings.degrees !== 0 ? settings.degrees : rate * clear.exposureSeconds / 3600, rig) };
}

const jumped = ({ settings: { dxPixels, dyPixels, share } }: Struck): Changes => ({
  motion: [
    { dx: 0, dy: 0, rotationDegrees: 0, share: 1 - share },
    { dx: dxPixels, dy: dyPixels, rotationDegrees: 0, share },
  ],
});

function mispointed({ rig, clear, settings }: Struck): Changes {
  const away = settings.widths * rig.width * arcsecPerPixelOf(rig);
  const angle = settings.degrees * Math.PI / 180;
  return { pointing: [clear.pointing[0] + away * cosPortable(angle), clear.pointing[1] + away * sinPortable(angle)] };
}

const dawning = ({ clear, settings }: Struck): Changes => ({
  extraSky: [...clear.extraSky, {
    ratio: settings.ratio,
    temperatureK: 9500,
    slope: 0.25,
    bend: 0.05,
    positionAngleDegrees: 120,
  }],
});

const crossed = ({ rig, clear, settings, random }: Struck): Changes => ({
  streaks: [...clear.streaks, {
    through: [rig.width * (0.35 + 0.3 * random.uniform()), rig.height * (0.35 + 0.3 * random.uniform())],
    degrees: settings.degrees,
    electronsPerPixel: settings.electronsPerPixel,
    doublePixels: settings.doublePixels ?? 0,
    blinkPixels: settings.blinkPixels ?? 0,
  }],
});

const changes: { readonly [Name in FaultName]: (struck: Struck) => Changes } = Object.freeze({
  none: () => ({}),
  cloud: cloudy,
  "dark-cloud": cloudy,
  dew: dewy,
  defocus: defocused,
  "focus-drift": defocused,
  "poor-seeing": (struck: Struck) => ({ fwhmArcsec: widened(struck) }),
  drift: ({ settings }: Struck) => ({ motion: line(settings.lengthPixels, settings.degrees) }),
  "field-rotation": rotated,
  "guiding-jump": jumped,
  wind: ({ settings, random }: Struck) => ({
    motion: shake(settings.sigmaPixels, settings.degrees, settings.flattening, random),
  }),
  tilt: ({ settings }: Struck) => ({ tilt: settings.tilt }),
  dispersion: ({ settings }: Struck) => ({ dispersion: 1, altitudeDegrees: settings.altitudeDegrees }),
  obstruction: ({ settings: { share, degrees, softness } }: Struck) => ({ obstacle: { share, degrees, softness } }),
  "off-target": mispointed,
  cap: () => ({ shutterOpen: false }),
  twilight: dawning,
  satellite: crossed,
  aircraft: crossed,
});

/**
 * Conditions of a frame after a fault has struck.
 *
 * @throws {TypeError} if the fault has no setting of a name
 */
export function faultConditions(
  rig: Rig,
  clear: FrameConditions,
  { name, settings }: Strike,
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
  return { ...clear, ...changes[name]({ rig, clear, settings, random }) };
}
