import { describe, expect, it } from "vitest";
import { randomStream } from "../../lib/core/random.ts";
import { longRig, resizeRig, type Rig } from "../../lib/simulate/rig.ts";
import { darkCurrentLaw, readOut, sensorMaps } from "../../lib/simulate/sensor.ts";
import { simulateCalibration } from "../../lib/simulate/simulate_calibration.ts";

const mean = (data: ArrayLike<number>) => Array.from(data).reduce((a, b) => a + b, 0) / data.length;
const variance = (data: ArrayLike<number>) => {
  const m = mean(data);
  return Array.from(data).reduce((sum, x) => sum + (x - m) ** 2, 0) / (data.length - 1);
};
const difference = (a: Float32Array, b: Float32Array) => a.map((x, i) => x - b[i]);

/** A sensor without hot pixels, rows and glow, so that the pair method meets its own assumptions. */
const plain: Rig = {
  ...resizeRig(longRig, { width: 300, height: 200 }),
  vignetting: 0,
  detector: {
    ...longRig.detector,
    electronsPerAdu: 0.8,
    readNoise: 3.5,
    hotShare: 0,
    rowNoise: 0,
    glowRate: 0,
    telegraphShare: 0,
    fullWell: 1e9,
    bits: 16,
  },
};

describe("photon transfer (Janesick 2001, chapter 5; pair method)", () => {
  it("recovers gain and read noise from two flats and two bias frames", () => {
    const light = new Float32Array(60000).fill(20000);
    const exposure = { seconds: 1, temperatureC: -10, cosmicRays: 0 };
    const flat = [1, 2].map((n) => readOut(plain, light, exposure, randomStream(`flat ${n}`)));
    const bias = [1, 2].map((n) => readOut(plain, null, { ...exposure, seconds: 0 }, randomStream(`bias ${n}`)));
    const noise = variance(difference(bias[0], bias[1]));
    const gain = (mean(flat[0]) + mean(flat[1]) - mean(bias[0]) - mean(bias[1])) /
      (variance(difference(flat[0], flat[1])) - noise);
    // relative error of the gain: √(2 / N) for N pixels; the responses add 3e-5
    expect(Math.abs(gain / 0.8 - 1)).toBeLessThan(4 * Math.sqrt(2 / 60000) + 1e-4);
    const read = Math.sqrt((gain * gain * noise) / 2 - (gain * gain) / 12);
    expect(Math.abs(read / 3.5 - 1)).toBeLessThan(0.02);
  });
});

describe("dark current", () => {
  // T^1.5 exp(−E_g / 2kT), Janesick 2001 equation 7.19 and following, evaluated apart
  it.each([[20, 1.0889], [0, 1.1023], [-20, 1.1192]])("at %s °C grows by %s for each kelvin", (celsius, ratio) => {
    expect(Math.abs(darkCurrentLaw(celsius + 1) / darkCurrentLaw(celsius) - ratio)).toBeLessThan(1e-3);
  });

  it("follows the exposure", () => {
    const rig = resizeRig(longRig, { width: 120, height: 80 });
    const maps = sensorMaps(rig);
    const total = mean(maps.darkRate) + mean(maps.glowRate);
    const dark = simulateCalibration(rig, { kind: "dark", exposureSeconds: 600 }).image.planes[0].data;
    const bias = simulateCalibration(rig, { kind: "bias" }).image.planes[0].data;
    const electrons = (mean(dark) - mean(bias)) * rig.detector.electronsPerAdu;
    const sigma = Math.sqrt((600 * total + 2 * (2.6 ** 2 + 2)) / 9600);
    // cosmic rays and telegraph pixels add a little
    expect(Math.abs(electrons - 600 * total)).toBeLessThan(5 * sigma + 0.2);
  });
});

describe("the converter", () => {
  it("clips at the full scale, and the well at its capacity", () => {
    const rig = resizeRig(longRig, { width: 8, height: 8 });
    const light = new Float32Array(64).fill(1e6);
    const data = readOut(rig, light, { seconds: 1, temperatureC: -10, cosmicRays: 0 }, randomStream(1));
    const well = rig.detector.offsetAdu + rig.detector.fullWell / rig.detector.electronsPerAdu;
    expect(Math.max(...data)).toBeLessThanOrEqual(16383);
    expect(Math.min(...data.filter((_, i) => sensorMaps(rig).response[i] > 0.5))).toBeGreaterThan(
      Math.min(16383, well) - 20,
    );
  });

  it("gives whole numbers, and the same ones for the same stream", () => {
    const rig = resizeRig(longRig, { width: 16, height: 16 });
    const once = readOut(rig, null, { seconds: 3, temperatureC: -10, cosmicRays: 1 }, randomStream(5));
    expect(once.every(Number.isInteger)).toBe(true);
    expect(readOut(rig, null, { seconds: 3, temperatureC: -10, cosmicRays: 1 }, randomStream(5))).toEqual(once);
  });
});

describe("faults of calibration frames", () => {
  const rig = resizeRig(longRig, { width: 90, height: 60 });
  const level = (options: Parameters<typeof simulateCalibration>[1]) =>
    mean(simulateCalibration(rig, options).image.planes[0].data);

  it("an over-exposed flat is full, an under-exposed one lies near the offset", () => {
    const full = simulateCalibration(rig, { kind: "flat", filter: "Ha", level: 1.6 }).image.planes[0].data;
    expect(full.filter((x) => x > 0.95 * 16383).length / full.length).toBeGreaterThan(0.95);
    expect(level({ kind: "flat", filter: "Ha", level: 0.03 })).toBeLessThan(0.04 * 16383);
  });

  it("a light leak brightens one side of a dark", () => {
    const data = simulateCalibration(rig, { kind: "dark", leakRate: 0.35 }).image.planes[0].data;
    const side = (from: number, to: number) => mean(data.filter((_, i) => i % 90 >= from && i % 90 < to));
    expect(side(80, 90) - side(30, 40)).toBeGreaterThan(0.5 * 0.35 * 300 / 2.5);
  });

  it("a warm dark has more dark current", () => {
    const hot = (temperatureC: number) => {
      const data = simulateCalibration(rig, { kind: "dark", temperatureC }).image.planes[0].data;
      const rate = sensorMaps(rig).darkRate;
      return mean(data.filter((_, i) => rate[i] > 0.2));
    };
    expect((hot(-2.5) - 300) / (hot(-10) - 300)).toBeGreaterThan(1.5);
  });

  it("moved dust and another filter change the shadows of a flat", () => {
    const wide = resizeRig(longRig, { width: 456, height: 342, pixelMicrometres: 10.8 });
    const ratio = (options: Parameters<typeof simulateCalibration>[1]) => {
      const a = simulateCalibration(wide, { kind: "flat", filter: "Ha", seed: 1 }).image.planes[0].data;
      const b = simulateCalibration(wide, { kind: "flat", filter: "Ha", seed: 2, ...options }).image.planes[0].data;
      const cells: number[] = []; // means of 19 × 19 pixels, where shot noise is a few 1e-4
      for (let y = 0; y < 18; y++) {
        for (let x = 0; x < 24; x++) {
          let sa = 0;
          let sb = 0;
          for (let j = 0; j < 19; j++) {
            for (let i = 0; i < 19; i++) {
              sa += a[(19 * y + j) * 456 + 19 * x + i];
              sb += b[(19 * y + j) * 456 + 19 * x + i];
            }
          }
          cells.push(sa / sb);
        }
      }
      return Math.sqrt(variance(cells));
    };
    const same = ratio({});
    expect(same).toBeLessThan(1e-3);
    expect(ratio({ dustMoved: true })).toBeGreaterThan(3 * same);
    expect(ratio({ trueFilter: "SII" })).toBeGreaterThan(3 * same);
  });
});
