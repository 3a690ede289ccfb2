/** What a rig does in a night: every exposure with its conditions and faults, before anything is exposed. */
import { cosPortable, sinPortable } from "../kernels/elementary.ts";
import { settle } from "../core/options.ts";
import { randomStream } from "../core/random.ts";
import { type CalibrationFaultName, knownCalibrationFaults } from "./calibration_faults.ts";
import type { SimulateFrameOptions } from "./expected_signal.ts";
import { type FaultName, type FaultSettings, knownFaults } from "./faults.ts";
import { siderealTimeDegrees } from "../sky/horizon.ts";
import { site, type SkyLight } from "./frame_conditions.ts";
import { longRig, pocketRig, resizeRig, type Rig } from "./rig.ts";
import type { SimulateCalibrationOptions } from "./simulate_calibration.ts";

/** What can happen to a file rather than to an exposure. */
export type FileFault = "truncated" | "garbage" | "duplicate" | "wrong-bayer";

/** A fault at a place in the night. */
export interface NightFault {
  /** Number of the light, in the order of exposure from 0. */
  readonly light: number;
  /** What happens. */
  readonly fault: FaultName | FileFault;
  /** Settings over the fault's defaults. */
  readonly settings?: FaultSettings;
}

/** A light to expose. */
export interface PlannedLight {
  /** Path in the night's folder. */
  readonly file: string;
  /** Conditions, seed and fault. */
  readonly options: SimulateFrameOptions;
  /** What happens to the file; null for nothing. */
  readonly fileFault: FileFault | null;
}

/** A calibration frame to expose. */
export interface PlannedCalibration {
  /** Path in the night's folder. */
  readonly file: string;
  /** Options. */
  readonly options: Partial<SimulateCalibrationOptions>;
  /** What is wrong with it; null for nothing. */
  readonly fault: CalibrationFaultName | null;
}

/** A night to expose. */
export interface SimulationPlan {
  /** Rig. */
  readonly rig: Rig;
  /** Lights in the order of exposure. */
  readonly lights: readonly PlannedLight[];
  /** Calibration frames. */
  readonly calibration: readonly PlannedCalibration[];
}

/** Options of {@linkcode planSimulation}. */
export interface PlanSimulationOptions {
  /** Rig. */
  readonly rig: "Long" | "Pocket";
  /** Seed of the night. */
  readonly seed: number | string;
  /** Columns; 0 for the rig's own. */
  readonly width: number;
  /** Rows; 0 for the rig's own. */
  readonly height: number;
  /** Size of a pixel, micrometres; 0 for the rig's own. */
  readonly pixelMicrometres: number;
  /** Lights through each filter (Long), or `colour` (Pocket). */
  readonly lights: { readonly [filter: string]: number };
  /**
   * Seconds from the start of one light to that of the next; 0: exposure and a pause (Long), or what spreads the
   * lights over a hundred minutes (Pocket).
   */
  readonly cadenceSeconds: number;
  /** Number of darks, bias frames, flats (a filter), flat-darks. */
  readonly darks: number;
  /** Number of bias frames. */
  readonly biases: number;
  /** Number of flats for each filter. */
  readonly flats: number;
  /** Number of darks for the flats. */
  readonly flatDarks: number;
  /** Faults of lights: a list, or `every` for each fault once, spread over the night. */
  readonly faults: readonly NightFault[] | "every";
  /** Faults of calibration frames, one more frame for each. */
  readonly calibrationFaults: readonly CalibrationFaultName[];
}

/** The demo night of the Long rig. */
export const longNight: PlanSimulationOptions = Object.freeze({
  rig: "Long",
  seed: "Long 2026-10-03",
  width: 0,
  height: 0,
  pixelMicrometres: 0,
  lights: Object.freeze({ Ha: 10, OIII: 8 }),
  cadenceSeconds: 0,
  darks: 4,
  biases: 3,
  flats: 3,
  flatDarks: 2,
  faults: [
    { light: 2, fault: "satellite" },
    { light: 5, fault: "drift" },
    { light: 7, fault: "defocus" },
    { light: 10, fault: "cap" },
    { light: 16, fault: "cloud" },
  ] as const,
  calibrationFaults: ["warm-dark"] as const,
});

/** The demo night of the Pocket rig. */
export const pocketNight: PlanSimulationOptions = Object.freeze({
  rig: "Pocket",
  seed: "Pocket 2026-10-03",
  width: 0,
  height: 0,
  pixelMicrometres: 0,
  lights: Object.freeze({ colour: 22 }),
  cadenceSeconds: 0,
  darks: 4,
  biases: 3,
  flats: 3,
  flatDarks: 0,
  faults: [
    { light: 3, fault: "wind" },
    { light: 7, fault: "aircraft" },
    { light: 10, fault: "guiding-jump" },
    { light: 14, fault: "truncated" },
    { light: 17, fault: "cloud" },
    { light: 20, fault: "dew" },
    { light: 21, fault: "dew", settings: { opacity: 0.8, halo: 0.45 } },
  ] as const,
  calibrationFaults: ["over-exposed-flat"] as const,
});

const evening = Date.UTC(2026, 9, 3, 12);
const iso = (milliseconds: number): string => new Date(milliseconds).toISOString().slice(0, 19);
const number = (n: number): string => String(n).padStart(3, "0");

/** When the target stands in the south that night. */
function transit(): number {
  const angle = siderealTimeDegrees(iso(evening), site.longitudeDegrees);
  const wait = 349.6 - angle;
  return evening + (wait < 0 ? wait + 360 : wait) / 15.041069 * 3600000;
}

/** Filters in the order of exposure: blocks of a third of each, so that both stand on both sides of the meridian. */
function orderOf(lights: { readonly [filter: string]: number }): string[] {
  const order: string[] = [];
  const left = { ...lights };
  for (let block = 0; block < 3; block++) {
    for (const filter of Object.keys(lights)) {
      const take = block === 2 ? left[filter] : Math.min(left[filter], Math.ceil(lights[filter] / 3));
      for (let i = 0; i < take; i++) order.push(filter);
      left[filter] -= take;
    }
  }
  return order;
}

/** Moonlight of the night's second half, from the share of the night that has passed. */
const moonlight = (share: number): SkyLight => ({
  ratio: 1.1 * (share - 0.45),
  temperatureK: 4600,
  slope: 0.22,
  bend: 0.06,
  positionAngleDegrees: 82 + 20 * share,
});

/** The rig, of another format where one is asked for. */
function rigOf({ rig, width, height, pixelMicrometres }: PlanSimulationOptions): Rig {
  const own = rig === "Long" ? longRig : pocketRig;
  if (width === 0 && height === 0 && pixelMicrometres === 0) return own;
  return resizeRig(own, {
    width: width || own.width,
    height: height || own.height,
    pixelMicrometres: pixelMicrometres || own.pixelMicrometres,
  });
}

/** Refuse a fault of a light that the night does not have. */
function requireLights(faults: readonly NightFault[], count: number): void {
  for (const each of faults) {
    if (!(each.light >= 0 && each.light < count)) {
      throw new RangeError(
        `planSimulation: fault "${each.fault}" must strike one of ${count} lights, but got ${each.light}`,
      );
    }
  }
}

/**
 * Plan a night: dither, seeing, guiding, moon and meridian flip on the Long rig; drift and the turning field on the
 * Pocket; the faults asked for, and the calibration frames.
 *
 * @param base {@linkcode longNight} or {@linkcode pocketNight}
 * @param options what is different
 * @throws {RangeError} if a fault stands at a light that the night does not have
 * @throws {TypeError} if a filter or fault is unknown
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { longNight, planSimulation } from "faintlight/simulate";
 *
 * const plan = planSimulation(longNight, { lights: { Ha: 2 }, faults: [{ light: 1, fault: "cloud" }] });
 * assert.deepEqual(plan.lights.map((light) => light.options.fault), ["none", "cloud"]);
 * ```
 */
export function planSimulation(
  base: PlanSimulationOptions,
  options: Partial<PlanSimulationOptions> = {},
): SimulationPlan {
  const used = settle("planSimulation", base, options);
  const rig = rigOf(used);
  const mono = rig.bayer === null;
  const exposureSeconds = mono ? 300 : 10;
  const order = mono
    ? orderOf(used.lights)
    : Object.values(used.lights).flatMap((count) => Array(count).fill("colour"));
  const faults = used.faults === "every" ? everyFault(order.length, mono) : used.faults;
  requireLights(faults, order.length);
  const cadence = used.cadenceSeconds || (mono ? 332 : Math.max(11, Math.floor(6000 / Math.max(1, order.length - 1))));
  const length = cadence * order.length * 1000;
  const start = Math.round((mono ? transit() - 0.55 * length : transit() - 2.3 * 3600000 - 0.5 * length) / 1000) * 1000;
  const random = randomStream(`night ${used.seed}`);
  const pixel = 206.264806 * rig.pixelMicrometres / rig.focalLengthMm;
  let seeing = 0;
  let wanderX = 0;
  let wanderY = 0;
  const counters: { [filter: string]: number } = {};
  const lights = order.map((filter, at): PlannedLight => {
    const time = start + at * cadence * 1000;
    const hour = (time - transit()) / 3600000;
    seeing = 0.7 * seeing + 0.045 * random.gaussian();
    const flipped = mono && hour > 0;
    const ditherX = (2 * random.uniform() - 1) * 9;
    const ditherY = (2 * random.uniform() - 1) * 9;
    wanderX = 0.9 * wanderX + 2.2 * random.gaussian();
    wanderY = 0.9 * wanderY + 2.2 * random.gaussian();
    const east = pixel * (mono ? ditherX + (flipped ? 11 : 0) : wanderX + 0.12 * at);
    const north = pixel * (mono ? ditherY - (flipped ? 7 : 0) : wanderY - 0.08 * at);
    const turn = 180 * random.uniform();
    const share = (time - start) / Math.max(1, length);
    const moon = mono && share > 0.45 ? [moonlight(share)] : [];
    const strike = faults.find((each) => each.light === at);
    const ofFile = strike !== undefined && isFileFault(strike.fault) ? strike.fault : null;
    const fault: FaultName = strike === undefined || isFileFault(strike.fault) ? "none" : strike.fault;
    counters[filter] = (counters[filter] ?? 0) + 1;
    return {
      file: `lights/Lantern_${mono ? `${filter}_` : ""}${exposureSeconds}s_${number(counters[filter])}.fits`,
      options: {
        seed: `${used.seed} light ${at}`,
        ...(mono ? { filter } : {}),
        exposureSeconds,
        dateUtc: iso(time),
        pointing: [east, north],
        upDegrees: mono ? 3.4 + (flipped ? 180.2 : 0) : null,
        fwhmArcsec: rig.fwhmArcsec * (1 + seeing),
        eccentricity: 0.14 + 0.2 * random.uniform(),
        elongationDegrees: turn,
        temperatureC: rig.setTemperatureC === null
          ? 15 - 1.2 * share + 0.1 * random.gaussian()
          : rig.setTemperatureC + 0.05 * random.gaussian(),
        skyMagnitude: 20.8 - 0.1 * Math.abs(sinPortable(hour)) * cosPortable(hour),
        extraSky: moon,
        fault,
        ...(strike?.settings === undefined ? {} : { faultSettings: strike.settings }),
      },
      fileFault: ofFile,
    };
  });
  return { rig, lights, calibration: planCalibration(rig, used, Object.keys(used.lights), exposureSeconds) };
}

const isFileFault = (name: string): name is FileFault => !(name in knownFaults);

function everyFault(count: number, mono: boolean): readonly NightFault[] {
  const names: (FaultName | FileFault)[] = [
    ...(Object.keys(knownFaults) as FaultName[]).filter((each) => each !== "none"),
    "truncated",
    "garbage",
    "duplicate",
    ...(mono ? [] : ["wrong-bayer" as const]),
  ];
  if (count < 2 * names.length) {
    throw new RangeError(
      `planSimulation: a night with every fault must have ≥ ${2 * names.length} lights, but got ${count}`,
    );
  }
  return names.map((fault, i) => ({ light: Math.floor((i + 0.5) * count / names.length), fault }));
}

function planCalibration(
  rig: Rig,
  used: PlanSimulationOptions,
  filters: readonly string[],
  exposureSeconds: number,
): PlannedCalibration[] {
  const mono = rig.bayer === null;
  const afternoon = Date.UTC(2026, 9, 3, 17, 40);
  const frames: PlannedCalibration[] = [];
  const temperatureC = rig.setTemperatureC ?? 14.4;
  const add = (folder: string, name: string, count: number, options: Partial<SimulateCalibrationOptions>) => {
    for (let i = 1; i <= count; i++) {
      frames.push({
        file: `${folder}/${name}_${number(i)}.fits`,
        options: {
          seed: `${used.seed} ${i}`,
          temperatureC,
          dateUtc: iso(afternoon + 20000 * frames.length),
          ...options,
        },
        fault: null,
      });
    }
  };
  add("bias", "bias", used.biases, { kind: "bias" });
  add("darks", `dark_${exposureSeconds}s`, used.darks, { kind: "dark", exposureSeconds });
  for (const filter of mono ? filters : [""]) {
    add("flats", mono ? `flat_${filter}` : "flat", used.flats, { kind: "flat", filter });
  }
  add("flat-darks", "flatdark_2s", used.flatDarks, { kind: "flat-dark" });
  for (const fault of used.calibrationFaults) {
    const { kind, options } = knownCalibrationFaults[fault];
    frames.push({
      file: `${kind}s/${kind}_${fault === "warm-dark" || fault === "short-dark" ? "early" : "late"}_${fault}.fits`,
      options: {
        seed: `${used.seed} ${fault}`,
        temperatureC,
        dateUtc: iso(afternoon + 20000 * frames.length),
        kind,
        ...(kind === "flat" && mono ? { filter: filters[0] } : {}),
        ...(kind === "dark" ? { exposureSeconds } : {}),
        ...options,
      },
      fault,
    });
  }
  return frames;
}
