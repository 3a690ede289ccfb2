/** How many electrons a second a star, a sky or a glowing gas gives to a pixel. */
import { square } from "./square.ts";
import { expPortable, powPortable } from "../kernels/elementary.ts";

const planckConstant = 6.62607015e-27; // erg s, exact in the SI of 2019
const hcOverK = 1.438776877e7; // nm K, second radiation constant, CODATA 2018

/**
 * Photons a second, square centimetre and ångström from a star of magnitude 0 at 550 nm: 3640 Jy (Bessell 1979,
 * PASP 91, 589) divided by hλ, about 998.8.
 */
export const zeroMagnitudePhotons: number = 3640e-23 / (planckConstant * 5500);

/**
 * Photons a second and square centimetre from one square arcsecond of gas of one rayleigh
 * (10⁶ / 4π photons s⁻¹ cm⁻² sr⁻¹, by definition of the unit).
 */
export const rayleighPhotons: number = 1e6 / (4 * Math.PI) * square(Math.PI / 648000);

/** Share of the incoming photons that become electrons, by wavelength: optics, filter and sensor together. */
export interface Passband {
  /** Channel name: `Ha`, `OIII`, `SII`, `L`, `R`, `G`, `B`. */
  readonly channel: string;
  /** First wavelength of the table, nanometres. */
  readonly firstNm: number;
  /** Step of the table, nanometres. */
  readonly stepNm: number;
  /** Throughput at each step, 0 … 1. */
  readonly throughput: readonly number[];
}

/**
 * A passband with smooth shoulders: 1 / (1 + (2 |λ − centre| / width)^steepness), times the peak.
 *
 * @param channel name
 * @param centreNm wavelength of the middle
 * @param widthNm full width at half maximum
 * @param peak throughput in the middle, 0 … 1
 * @param steepness 4 is round, 20 nearly a box
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { effectiveWidthAngstrom, shapePassband } from "faintlight/simulate";
 *
 * assert.ok(effectiveWidthAngstrom(shapePassband("Ha", 656.3, 7, 0.9)) > 50);
 * ```
 */
export function shapePassband(
  channel: string,
  centreNm: number,
  widthNm: number,
  peak: number,
  steepness = 8,
): Passband {
  const stepNm = widthNm / 40;
  const half = 60;
  const throughput: number[] = [];
  for (let i = -half; i <= half; i++) {
    const x = Math.abs(2 * i * stepNm / widthNm);
    throughput.push(peak / (1 + (x === 0 ? 0 : powPortable(x, steepness))));
  }
  return { channel, firstNm: centreNm - half * stepNm, stepNm, throughput };
}

/**
 * Throughput at a wavelength in nanometres, linear between the steps, 0 outside.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { shapePassband, throughputAt } from "faintlight/simulate";
 *
 * const band = shapePassband("Ha", 656.3, 7, 0.9);
 * assert.ok(throughputAt(band, 656.3) > 0.85 && throughputAt(band, 700) === 0);
 * ```
 */
export function throughputAt(band: Passband, wavelengthNm: number): number {
  const at = (wavelengthNm - band.firstNm) / band.stepNm;
  const i = Math.floor(at);
  const f = at - i;
  const left = band.throughput[i] ?? 0;
  const right = band.throughput[i + 1] ?? 0;
  return i < -1 ? 0 : left + (right - left) * f;
}

/**
 * Width of a box of throughput 1 that passes as much of a flat photon spectrum, ångström.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { effectiveWidthAngstrom, shapePassband } from "faintlight/simulate";
 *
 * const narrow = shapePassband("Ha", 656.3, 3, 0.9), wide = shapePassband("Ha", 656.3, 7, 0.9);
 * assert.ok(effectiveWidthAngstrom(wide) > 2 * effectiveWidthAngstrom(narrow));
 * ```
 */
export const effectiveWidthAngstrom = (band: Passband): number =>
  10 * band.stepNm * band.throughput.reduce((sum, each) => sum + each, 0);

/**
 * As `planckPhotons`, in nanometres throughout: the demo nights are made with this order of operations, and the other
 * would move the last digits of their truth.
 */
function blackBodyPhotons(wavelengthNm: number, temperatureK: number): number {
  const q = wavelengthNm * wavelengthNm;
  return 1e10 / (q * q * (expPortable(hcOverK / (wavelengthNm * temperatureK)) - 1));
}

/**
 * Ångström of throughput 1 that a black body of this temperature, of known brightness at 550 nm, fills through the
 * band.
 *
 * @example A hot star is brighter in blue than in red
 * ```ts
 * import assert from "node:assert/strict";
 * import { blackBodyWidth, shapePassband } from "faintlight/simulate";
 *
 * const blue = shapePassband("B", 460, 90, 0.5), red = shapePassband("R", 620, 90, 0.5);
 * assert.ok(blackBodyWidth(blue, 12000) > blackBodyWidth(red, 12000));
 * assert.ok(blackBodyWidth(blue, 3500) < blackBodyWidth(red, 3500));
 * ```
 */
export function blackBodyWidth(band: Passband, temperatureK: number): number {
  const reference = blackBodyPhotons(550, temperatureK);
  let sum = 0;
  for (let i = 0; i < band.throughput.length; i++) {
    if (band.throughput[i] === 0) continue;
    sum += band.throughput[i] * blackBodyPhotons(band.firstNm + i * band.stepNm, temperatureK) / reference;
  }
  return 10 * band.stepNm * sum;
}

/**
 * Photons a second caught from a source of a magnitude: 998.8 A Δλ 10^(−0.4 m). For the sky, give the magnitude of one
 * square arcsecond and multiply by the pixel's area.
 *
 * @param magnitude V magnitude
 * @param collectingAreaSquareCm collecting area
 * @param widthAngstrom effective width of the band, throughput included
 *
 * @example A star of magnitude 20 in 890 Å through an 80 mm lens, quantum efficiency 0.6
 * ```ts
 * import assert from "node:assert/strict";
 * import { magnitudeRate } from "faintlight/simulate";
 *
 * const rate = magnitudeRate(20, Math.PI / 4 * 64, 890 * 0.6);
 * assert.ok(Math.abs(rate - 0.2681) < 1e-4);
 * ```
 */
export const magnitudeRate = (magnitude: number, collectingAreaSquareCm: number, widthAngstrom: number): number =>
  zeroMagnitudePhotons * collectingAreaSquareCm * widthAngstrom * powPortable(10, -0.4 * magnitude);

/**
 * Temperature of a black body of the colour B − V (Ballesteros 2012, EPL 97, 34008), kelvin.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { temperatureOfColour } from "faintlight/simulate";
 *
 * assert.ok(Math.abs(temperatureOfColour(0.653) - 5767.48) < 0.01);
 * ```
 */
export const temperatureOfColour = (bMinusV: number): number =>
  4600 * (1 / (0.92 * bMinusV + 1.7) + 1 / (0.92 * bMinusV + 0.62));
