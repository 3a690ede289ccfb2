/** What a map between two frames does, in the words of a person: shift, rotation, scale. */
import type { Point } from "../core/geometry.ts";
import { applyTransform, linearPart, type Transform } from "../core/transform.ts";
import { settle } from "../core/options.ts";

/** Options of {@linkcode describeTransform}. */
export interface DescribeTransformOptions {
  /**
   * Where the map is described, pixels of the source: rotation and scale of a projective map change from place to
   * place.
   */
  readonly at: Point;
}

/** What {@linkcode describeTransform} uses for an option left out: the first pixel. */
export const describeTransformDefaults: DescribeTransformOptions = Object.freeze({ at: Object.freeze({ x: 0, y: 0 }) });

/** What a map does near one place. */
export interface Motion {
  /** Shift of that place, reference pixels: where it lies in the reference less where it lay. */
  readonly shift: Point;
  /** Rotation, degrees, from +x towards +y as stored, −180 … 180. */
  readonly rotationDegrees: number;
  /** Reference pixels a source pixel, mean of both directions. */
  readonly scale: number;
  /** Longer over shorter scale: 1 unless the map shears or stretches. */
  readonly stretch: number;
  /** Whether the frame is turned over. */
  readonly mirrored: boolean;
}

/**
 * Describe a map: shift, rotation and scale near one place, from the singular values of its linear part.
 *
 * @param transform source pixel → reference pixel
 *
 * @example
 * ```ts
 * import assert from "node:assert/strict";
 * import { describeTransform } from "faintlight";
 *
 * const motion = describeTransform({ kind: "similarity", matrix: [0, -2, 5, 2, 0, 1, 0, 0, 1] });
 * assert.deepEqual([motion.shift.x, motion.rotationDegrees, motion.scale], [5, 90, 2]);
 * ```
 */
export function describeTransform(transform: Transform, options: Partial<DescribeTransformOptions> = {}): Motion {
  const { at } = settle("describeTransform", describeTransformDefaults, options);
  const to = applyTransform(transform, at.x, at.y);
  const [a, b, , c, d] = linearPart(transform, at);
  // (a + d, c − b) turns with the frame, (a − d, b + c) against it: their lengths are sum and difference of the scales
  const turning = Math.hypot(a + d, c - b);
  const counter = Math.hypot(a - d, b + c);
  const mirrored = a * d - b * c < 0;
  const longer = (turning + counter) / 2;
  const shorter = Math.abs(turning - counter) / 2;
  const angle = mirrored ? Math.atan2(b + c, a - d) : Math.atan2(c - b, a + d);
  return Object.freeze({
    shift: Object.freeze({ x: to.x - at.x, y: to.y - at.y }),
    rotationDegrees: angle * 180 / Math.PI,
    scale: Math.sqrt(longer * shorter),
    stretch: longer / shorter,
    mirrored,
  });
}
