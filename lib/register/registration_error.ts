/** Why two frames could not be brought together. */

/** Why two lists could not be matched; short, stable codes. */
export type RegistrationFailure = "too-few-stars" | "no-match" | "fixed-pattern" | "no-overlap";

/**
 * Two frames cannot be brought together. A night collects these and goes on.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { RegistrationError } from "faintlight";
 * import { matchStars } from "faintlight/geometry";
 *
 * assert.throws(() => matchStars([{ x: 1, y: 1, flux: 5 }], []), RegistrationError);
 * ```
 */
export class RegistrationError extends Error {
  /** Stable reason code. */
  readonly reason: RegistrationFailure;
  /** An error with its code and a sentence for a person. */
  constructor(reason: RegistrationFailure, message: string) {
    super(message);
    this.name = "RegistrationError";
    this.reason = reason;
  }
}
