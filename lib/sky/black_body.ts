/** Light of a black body. */
import { expPortable } from "../kernels/elementary.ts";

/** Second radiation constant h c / k, µm K (CODATA 2018). */
const hcOverK = 14387.76877;

/**
 * Photons a unit of wavelength from a black body, up to a constant: λ⁻⁴ / (exp(hc / λkT) − 1), λ in nanometres,
 * temperature in kelvin.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { planckPhotons } from "faintlight/simulate";
 *
 * assert.ok(Math.abs(planckPhotons(620, 5772) / planckPhotons(530, 5772) - 1.066465) < 1e-5);
 * ```
 */
export function planckPhotons(wavelengthNm: number, temperatureK: number): number {
  const u = wavelengthNm / 1000;
  return 1 / (u * u * u * u * (expPortable(hcOverK / (u * temperatureK)) - 1));
}
