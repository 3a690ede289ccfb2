/** Calibration frames, good and bad. */
import { square } from "./square.ts";
import { createImage, type Image } from "../core/image.ts";
import { plainGeometry } from "../core/geometry.ts";
import { settle } from "../core/options.ts";
import { randomStream } from "../core/random.ts";
import { frameHeader } from "./frame_header.ts";
import { illumination } from "./illumination.ts";
import { arcsecPerPixelOf, type Rig } from "./rig.ts";
import { fullScaleOf, readOut } from "./sensor.ts";

/** Options of {@linkcode simulateCalibration}. */
export interface SimulateCalibrationOptions {
  /** Seed of this frame's noise. */
  readonly seed: number | string;
  /** What is exposed. */
  readonly kind: "bias" | "dark" | "flat" | "flat-dark";
  /** Filter of a flat or flat-dark of a mono rig; `""` for none. */
  readonly filter: string;
  /** Filter that was really in place, when the header is wrong; `""`: the one stated. */
  readonly trueFilter: string;
  /** Seconds; null: 0 for bias, 300 (Long) or 10 (Pocket) for darks, 2 for flats and their darks. */
  readonly exposureSeconds: number | null;
  /** Start, ISO UTC without zone. */
  readonly dateUtc: string;
  /** Sensor temperature, °C; null: the set temperature, or 15 °C without a cooler. */
  readonly temperatureC: number | null;
  /** Level of a flat in the middle of the field, share of full scale. */
  readonly level: number;
  /** Light that leaks into a dark at its brightest edge, electrons a second. */
  readonly leakRate: number;
  /** Whether the dust has moved since the lights. */
  readonly dustMoved: boolean;
}

/** What {@linkcode simulateCalibration} uses for an option left out. */
export const simulateCalibrationDefaults: SimulateCalibrationOptions = Object.freeze({
  seed: 1,
  kind: "bias",
  filter: "",
  trueFilter: "",
  exposureSeconds: null,
  dateUtc: "2026-10-03T18:05:00",
  temperatureC: null,
  level: 0.45,
  leakRate: 0,
  dustMoved: false,
});

/** Colour of a flat panel on R, G, B pixels, against green. */
const panel = [0.62, 1, 0.71];

/** What is true about a calibration frame. */
export interface CalibrationTruth {
  /** What was exposed. */
  readonly kind: SimulateCalibrationOptions["kind"];
  /** Filter really in place. */
  readonly filter: string;
  /** Seconds. */
  readonly exposureSeconds: number;
  /** Sensor temperature, °C. */
  readonly temperatureC: number;
  /** Electrons expected from light in the middle of the field (green on a colour sensor). */
  readonly lightElectrons: number;
  /** Whether the dust has moved. */
  readonly dustMoved: boolean;
}

/** A calibration frame with its truth. */
export interface SimulatedCalibration {
  /** Raw data, ADU. */
  readonly image: Image;
  /** The truth. */
  readonly truth: CalibrationTruth;
}

/**
 * A bias, dark, flat or flat-dark of a rig; with options for each way in which such a frame can be wrong.
 *
 * @throws {RangeError} if the level is not in (0, 4] or the exposure is negative
 *
 * @example The level of a flat is asked for
 * ```ts
 * import assert from "node:assert/strict";
 * import { longRig, resizeRig, simulateCalibration } from "faintlight/simulate";
 *
 * const rig = resizeRig(longRig, { width: 33, height: 25 });
 * const { truth } = simulateCalibration(rig, { kind: "flat", filter: "Ha", level: 0.5 });
 * const electrons = (0.5 * 16383 - rig.detector.offsetAdu) * rig.detector.electronsPerAdu;
 * assert.ok(Math.abs(truth.lightElectrons / electrons - 1) < 0.05); // the lamp wavers by 1 %
 * ```
 */
export function simulateCalibration(
  rig: Rig,
  options: Partial<SimulateCalibrationOptions> = {},
): SimulatedCalibration {
  const used = settle("simulateCalibration", simulateCalibrationDefaults, options);
  const { kind, level, dustMoved, leakRate } = used;
  const seconds = used.exposureSeconds ??
    (kind === "bias" ? 0 : kind === "dark" ? (rig.bayer === null ? 300 : 10) : 2);
  if (!(seconds >= 0)) throw new RangeError(`simulateCalibration: exposureSeconds must be ≥ 0, but got ${seconds}`);
  if (!(level > 0 && level <= 4)) {
    throw new RangeError(`simulateCalibration: level must lie in (0, 4], but got ${level}`);
  }
  const temperatureC = used.temperatureC ?? rig.setTemperatureC ?? 15;
  const { width, height, detector } = rig;
  const filter = used.trueFilter === "" ? used.filter : used.trueFilter;
  const random = randomStream(`calibration ${rig.seed} ${kind} ${filter} ${used.seed}`);
  let light: Float32Array | null = null;
  let lightElectrons = 0;
  if (kind === "flat") {
    lightElectrons = (level * fullScaleOf(detector) - detector.offsetAdu) * detector.electronsPerAdu *
      (1 + 0.01 * random.fork("lamp").gaussian());
    light = illumination(rig, { filter: rig.bayer === null ? filter : "colour", dustMoved });
    const mosaic = rig.bayer === null ? null : [...rig.bayer].map((each) => panel["RGB".indexOf(each)]);
    for (let y = 0, i = 0; y < height; y++) {
      for (let x = 0; x < width; x++, i++) {
        light[i] *= lightElectrons * (mosaic === null ? 1 : mosaic[(y & 1) * 2 + (x & 1)]);
      }
    }
  } else if (leakRate > 0) {
    lightElectrons = leakRate * seconds / 2;
    light = new Float32Array(width * height);
    for (let y = 0, i = 0; y < height; y++) {
      for (let x = 0; x < width; x++, i++) light[i] = leakRate * seconds * square(x / width);
    }
  }
  const data = readOut(rig, light, { seconds, temperatureC, cosmicRays: 1 }, random);
  const image = createImage({
    width,
    height,
    unit: "adu",
    planes: [{ channel: rig.bayer === null ? (used.filter === "" ? "L" : used.filter) : "mosaic", data }],
    header: frameHeader(rig, {
      kind,
      filter: rig.bayer === null ? used.filter : rig.colourFilter ?? "",
      exposureSeconds: seconds,
      dateUtc: used.dateUtc,
      temperatureC,
      object: "",
      rightAscensionDegrees: null,
      declinationDegrees: null,
      altitudeDegrees: null,
    }),
    geometry: { ...plainGeometry, arcsecPerPixel: arcsecPerPixelOf(rig), bayer: rig.bayer },
  }, { step: "simulateCalibration", options: { rig: rig.name, ...used } });
  return { image, truth: { kind, filter, exposureSeconds: seconds, temperatureC, lightElectrons, dustMoved } };
}
