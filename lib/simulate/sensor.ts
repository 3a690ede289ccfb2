/** From expected electrons to numbers in a file: everything the sensor adds. */
import { square } from "./square.ts";
import { allocateShared } from "../core/memory.ts";
import { expPortable, logPortable, powPortable } from "../kernels/elementary.ts";
import { type RandomStream, randomStream } from "../core/random.ts";
import type { Detector, Rig } from "./rig.ts";

/** What is fixed in a sensor; one number a pixel. */
export interface SensorMaps {
  /** Response over the mean response. */
  readonly response: Float32Array;
  /** Dark current at the detector's reference temperature, hot pixels included, electrons a second. */
  readonly darkRate: Float32Array;
  /** Glow of the amplifier, electrons a second; does not follow the temperature. */
  readonly glowRate: Float32Array;
  /** Fixed offset, electrons. */
  readonly pattern: Float32Array;
  /** Pixels that jump between two levels. */
  readonly telegraph: Uint32Array;
}

const known = new WeakMap<Rig, SensorMaps>();

/**
 * The fixed maps of a rig's sensor, from its seed; computed once for each rig object.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { longRig, resizeRig, sensorMaps } from "faintlight/simulate";
 *
 * const rig = resizeRig(longRig, { width: 32, height: 24 });
 * assert.equal(sensorMaps(rig).darkRate.length, 32 * 24);
 * ```
 */
export function sensorMaps(rig: Rig): SensorMaps {
  const old = known.get(rig);
  if (old !== undefined) return old;
  const { width, height, detector } = rig;
  const size = width * height;
  const random = randomStream(`${rig.seed} sensor ${width} × ${height}`);
  const response = new Float32Array(size);
  const darkRate = new Float32Array(size);
  const glowRate = new Float32Array(size);
  const pattern = new Float32Array(size);
  const fine = random.fork("response");
  const dark = random.fork("dark");
  const columns = random.fork("columns");
  for (let i = 0; i < size; i++) response[i] = 1 + detector.responseSigma * fine.gaussian();
  for (let i = 0; i < size; i++) darkRate[i] = detector.darkRate * (1 + 0.08 * dark.gaussian());
  const [median, spread] = detector.hotRate;
  const hot = random.fork("hot");
  for (let n = Math.round(detector.hotShare * size); n > 0; n--) {
    const at = Math.floor(hot.uniform() * size);
    darkRate[at] += median * expPortable(spread * hot.gaussian());
  }
  const dead = random.fork("dead");
  for (let n = Math.round(size / 60000); n > 0; n--) response[Math.floor(dead.uniform() * size)] = 0.3 * dead.uniform();
  const reach = 0.22 * Math.sqrt(width * width + height * height);
  const column = Float32Array.from({ length: width }, () => detector.columnPattern * columns.gaussian());
  for (let y = 0; y < height; y++) {
    const ramp = 1.5 * detector.columnPattern * (y / height - 0.5);
    for (let x = 0; x < width; x++) {
      glowRate[y * width + x] = detector.glowRate * expPortable(-Math.sqrt(x * x + y * y) / reach);
      pattern[y * width + x] = column[x] + ramp;
    }
  }
  const jumping = random.fork("telegraph");
  const telegraph = Uint32Array.from(
    { length: Math.round(detector.telegraphShare * size) },
    () => Math.floor(jumping.uniform() * size),
  );
  const maps = { response, darkRate, glowRate, pattern, telegraph };
  known.set(rig, maps);
  return maps;
}

/**
 * Dark current of silicon, up to a constant: T^1.5 exp(−E_g / 2kT) with E_g = 1.1557 − 7.021e-4 T² / (1108 + T) eV
 * (Janesick 2001, Scientific Charge-Coupled Devices, chapter 7).
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { darkCurrentLaw } from "faintlight/simulate";
 *
 * assert.ok(Math.abs(darkCurrentLaw(1) / darkCurrentLaw(0) - 1.1) < 0.01);
 * ```
 */
export function darkCurrentLaw(temperatureC: number): number {
  const t = temperatureC + 273.15;
  const gap = 1.1557 - 7.021e-4 * t * t / (1108 + t);
  return powPortable(t, 1.5) * expPortable(-gap / (2 * 8.617333262e-5 * t));
}

/** How a sensor was exposed. */
export interface Exposure {
  /** Seconds. */
  readonly seconds: number;
  /** Temperature of the sensor, °C. */
  readonly temperatureC: number;
  /** Tracks of cosmic rays; also the rate, a square centimetre and minute (about 1 at sea level). */
  readonly cosmicRays: number;
}

function addCosmicRays(electrons: Float32Array, rig: Rig, exposure: Exposure, random: RandomStream): void {
  const { width, height, pixelMicrometres } = rig;
  const squareCm = width * height * square(pixelMicrometres * 1e-4);
  for (let n = random.poisson(exposure.cosmicRays * squareCm * exposure.seconds / 60); n > 0; n--) {
    // a muon leaves about 80 electrons a micrometre of its path (common practice, no source)
    const length = -30 * logPortable(1 - random.uniform()) / pixelMicrometres;
    let x = random.uniform() * width;
    let y = random.uniform() * height;
    let dx = 0;
    let dy = 0;
    for (let s = 2; s >= 1 || s === 0;) {
      dx = 2 * random.uniform() - 1;
      dy = 2 * random.uniform() - 1;
      s = dx * dx + dy * dy;
    }
    const norm = 0.25 / Math.sqrt(dx * dx + dy * dy);
    for (let step = 0; step < Math.max(2, 4 * length); step++, x += dx * norm, y += dy * norm) {
      const px = Math.round(x);
      const py = Math.round(y);
      if (px >= 0 && py >= 0 && px < width && py < height) electrons[py * width + px] += 20 * pixelMicrometres;
    }
  }
}

/**
 * Highest number the converter gives.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { fullScaleOf, longRig } from "faintlight/simulate";
 *
 * assert.equal(fullScaleOf(longRig.detector), 2 ** longRig.detector.bits - 1);
 * ```
 */
export const fullScaleOf = (detector: Detector): number => (1 << detector.bits) - 1;

/**
 * Read a sensor out: photo-electrons and dark current become whole electrons (Poisson), cosmic rays and telegraph
 * pixels are added, the well fills, read noise and offsets join, the converter rounds and clips.
 *
 * @param rig whose sensor
 * @param light photo-electrons expected in each pixel before the pixel's own response; null for none
 * @param exposure time and temperature
 * @param random stream of this frame; draws nothing else
 * @returns ADU, whole numbers
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { longRig, readOut, resizeRig } from "faintlight/simulate";
 * import { randomStream } from "faintlight/stats";
 *
 * const rig = resizeRig(longRig, { width: 16, height: 16 });
 * const bias = readOut(rig, null, { seconds: 0, temperatureC: -10, cosmicRays: 1 }, randomStream(1));
 * assert.equal(bias.length, 256);
 * ```
 */
export function readOut(
  rig: Rig,
  light: Float32Array | null,
  exposure: Exposure,
  random: RandomStream,
): Float32Array {
  const { width, height, detector } = rig;
  const size = width * height;
  const maps = sensorMaps(rig);
  const warm = darkCurrentLaw(exposure.temperatureC) / darkCurrentLaw(detector.referenceC) * exposure.seconds;
  const electrons = new Float32Array(size);
  const shot = random.fork("shot");
  for (let i = 0; i < size; i++) {
    const dark = maps.darkRate[i] * warm + maps.glowRate[i] * exposure.seconds;
    electrons[i] = shot.poisson(dark + (light === null ? 0 : Math.max(0, light[i] * maps.response[i])));
  }
  addCosmicRays(electrons, rig, exposure, random.fork("cosmic rays"));
  const jumping = random.fork("telegraph");
  for (const at of maps.telegraph) if (jumping.uniform() < 0.3) electrons[at] += detector.telegraphElectrons;
  const read = random.fork("read");
  const rows = random.fork("rows");
  const top = fullScaleOf(detector);
  const perElectron = 1 / detector.electronsPerAdu;
  const adu = new Float32Array(allocateShared(4 * size), 0, size);
  for (let y = 0, i = 0; y < height; y++) {
    const row = detector.rowNoise * rows.gaussian();
    for (let x = 0; x < width; x++, i++) {
      const held = Math.min(electrons[i], detector.fullWell);
      const level = held + maps.pattern[i] + row + detector.readNoise * read.gaussian();
      adu[i] = Math.min(top, Math.max(0, Math.round(detector.offsetAdu + level * perElectron)));
    }
  }
  return adu;
}
