/** Why a pixel is not what the sensor read: eight bits for each pixel, shared by the planes of an image. */

import { allocateShared } from "./memory.ts";

/** One byte a pixel, row by row, bits of {@linkcode maskBit}. */
export type Mask = Uint8Array;

/** Meaning of the bits of a mask. */
export const maskBit: Readonly<
  Record<
    "noData" | "saturated" | "defect" | "cosmicRay" | "rejected" | "repaired" | "trail" | "limited",
    number
  >
> = Object.freeze({
  /** Outside the frame, or no frame contributed; the sample is NaN. */
  noData: 1,
  /** At or above the saturation level of the sensor. */
  saturated: 2,
  /** Defective sensor pixel: hot, cold or noisy. */
  defect: 4,
  /** Cosmic ray found in a single frame. */
  cosmicRay: 8,
  /** Rejected while frames were combined. */
  rejected: 16,
  /** Replaced by a value made from neighbours. */
  repaired: 32,
  /** A trail of a satellite or aircraft. */
  trail: 64,
  /** Resampling overshoot that was held back. */
  limited: 128,
});

/**
 * An empty mask of the given size, in shared memory.
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { createMask, maskBit } from "faintlight/extend";
 *
 * const mask = createMask(2, 1);
 * mask[0] |= maskBit.saturated;
 * assert.deepEqual([...mask], [2, 0]);
 * ```
 */
export const createMask = (width: number, height: number): Mask =>
  new Uint8Array(allocateShared(width * height), 0, width * height);
