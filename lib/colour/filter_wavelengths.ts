/** Effective wavelengths of filters by the names that headers give them. */

/**
 * Wavelengths in nanometres. Lines in air: NIST Atomic Spectra Database. U, B, V, R, I: Bessell 2005, ARA&A 43, 293,
 * table 1; u, g, r, i, z: Fukugita et al. 1996, AJ 111, 1748, table 2a; J, H, Ks: Cohen, Wheaton & Megeath 2003, AJ
 * 126, 1090 (all from memory). VR: middle of a filter from 500 to 700 nm.
 */
const wavelengths: Readonly<Record<string, number>> = {
  Ha: 656.3,
  Hb: 486.1,
  OIII: 500.7,
  SII: 672.4,
  NII: 658.3,
  U: 366,
  B: 436,
  G: 530,
  V: 545,
  VR: 600,
  R: 641,
  I: 798,
  u: 355.7,
  g: 482.5,
  r: 626.1,
  i: 767.2,
  z: 909.7,
  Y: 1020,
  J: 1235,
  H: 1662,
  K: 2159,
  Ks: 2159,
};

/** What stands beside the letter of a band: a system's name, a prime, "band". */
const beside = /\b(bessell?|johnson|cousins|kron|sdss|sloan|2mass|filter|band|prime)\b|prime$|['’*]|[_\s-]+/gi;

/**
 * Effective wavelength of a filter, nanometres; null for a name that is not known, and for what lets all colours
 * through.
 *
 * @param name channel or name of a filter: `Ha`, `V`, `rprime`, `SDSS g'`, `Bessell R`, `Red`
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { wavelengthOfFilter } from "faintlight/colour";
 *
 * assert.ok((wavelengthOfFilter("rprime") ?? 0) > (wavelengthOfFilter("Johnson V") ?? 0));
 * assert.equal(wavelengthOfFilter("L"), null);
 * ```
 */
export function wavelengthOfFilter(name: string): number | null {
  const plain = name.trim();
  const bare = plain.replaceAll(beside, "");
  // a prime, or the system's name, tells r from R; without it the letter itself does
  return wavelengths[plain] ?? wavelengths[bare] ?? null;
}
