/** A map in words, against maps made of a known shift, rotation and scale. */
import { describe, expect, it } from "vitest";
import { describeTransform } from "faintlight";
import type { Transform } from "faintlight/geometry";

const similarity = (degrees: number, scale: number, mirror = 1): Transform => {
  const c = scale * Math.cos(degrees * Math.PI / 180);
  const s = scale * Math.sin(degrees * Math.PI / 180);
  return { kind: "similarity", matrix: [c, -s * mirror, 7, s, c * mirror, -3, 0, 0, 1] };
};

describe("describeTransform", () => {
  it("gives back shift, rotation and scale", () => {
    for (const degrees of [-170, -45, 0, 12.5, 90, 179]) {
      const motion = describeTransform(similarity(degrees, 1.25));
      expect(motion.rotationDegrees).toBeCloseTo(degrees, 10);
      expect(motion.scale).toBeCloseTo(1.25, 12);
      expect(motion.stretch).toBeCloseTo(1, 12);
      expect([motion.shift.x, motion.shift.y, motion.mirrored]).toEqual([7, -3, false]);
    }
  });

  it("tells a mirror and a stretch", () => {
    const mirrored = describeTransform(similarity(30, 2, -1));
    expect(mirrored.mirrored).toBe(true);
    expect(mirrored.rotationDegrees).toBeCloseTo(30, 10);
    const stretched = describeTransform({ kind: "affine", matrix: [2, 0, 0, 0, 1, 0, 0, 0, 1] });
    expect(stretched.stretch).toBeCloseTo(2, 12);
    expect(stretched.scale).toBeCloseTo(Math.SQRT2, 12);
  });

  it("describes the place that is asked for", () => {
    expect(describeTransform(similarity(180, 1), { at: { x: 3.5, y: -1.5 } }).shift.x).toBeCloseTo(0, 12);
  });
});
