import { describe, expect, it } from "vitest";
import type { Transform } from "../../lib/core/transform.ts";
import { normalisationOnFrame } from "../../lib/stack/frame_normalisation.ts";
import type { FrameTask } from "../../lib/stack/tile_plan.ts";

/** Factor 1 + x / 100 and offset 5 + y / 10 at the reference's pixel (x, y): nodes at 9.5, 29.5 and 49.5. */
const nodes = [0, 1, 2].flatMap((j) => [0, 1, 2].map((i) => [9.5 + 20 * i, 9.5 + 20 * j]));
const surface = {
  gridWidth: 3,
  gridHeight: 3,
  tilePixels: 20,
  scale: [Float32Array.from(nodes, ([x]) => 1 + x / 100)],
  offset: [Float32Array.from(nodes, ([, y]) => 5 + y / 10)],
};

describe("the normalisation of a frame at its own samples", () => {
  it("is that of the places where the reference has them: a plane is met everywhere", () => {
    // Quarter turn and shift: the frame's (x, y) lies at the reference's (40 − y, x + 3).
    const transform: Transform = { kind: "similarity", matrix: [0, -1, 40, 1, 0, 3, 0, 0, 1] };
    const region = { x: 2, y: 5, width: 21, height: 13 };
    const [{ scale, offset }] = normalisationOnFrame({ transform } as FrameTask, surface, region, 1);
    for (let y = 0, p = 0; y < region.height; y++) {
      for (let x = 0; x < region.width; x++, p++) {
        expect(scale[p]).toBeCloseTo(1 + (40 - (y + region.y)) / 100, 5);
        expect(offset[p]).toBeCloseTo(5 + (x + region.x + 3) / 10, 5);
      }
    }
  });
});
