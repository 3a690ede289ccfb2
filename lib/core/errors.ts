/**
 * Errors of the house: built-in kinds for misuse of a function, {@linkcode FrameError} for a file that cannot be used.
 */

/** Why one file of a night cannot be used; short, stable codes that tables and tests may compare. */
export type FrameErrorReason =
  | "not-fits"
  | "truncated"
  | "bad-card"
  | "unsupported"
  | "checksum"
  | "no-image"
  | "wrong-shape"
  | "missing"
  | "unreadable";

/**
 * One file's data are unusable. A run over many files collects these and goes on.
 *
 * @example The message names the file, the fact and the remedy
 * ```ts
 * import assert from "node:assert/strict";
 * import { FrameError } from "faintlight";
 *
 * const error = new FrameError("night/a.fits", "truncated", "ends after 100 of 5760 bytes", "copy the file again");
 * assert.equal(error.message, "night/a.fits: ends after 100 of 5760 bytes; copy the file again");
 * ```
 */
export class FrameError extends Error {
  /** Path of the file, as the caller gave it. */
  readonly path: string;
  /** Stable reason code. */
  readonly reason: FrameErrorReason;

  /**
   * An error about one file.
   *
   * @param path the file
   * @param reason stable code
   * @param fact what was found, in a sentence without a full stop
   * @param remedy what the person can do; left out of the message when empty
   * @param cause the underlying error, if any
   */
  constructor(path: string, reason: FrameErrorReason, fact: string, remedy = "", cause?: unknown) {
    super(`${path}: ${fact}${remedy === "" ? "" : `; ${remedy}`}`, cause === undefined ? undefined : { cause });
    this.name = "FrameError";
    this.path = path;
    this.reason = reason;
  }
}
