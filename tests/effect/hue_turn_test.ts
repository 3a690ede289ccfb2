import { describe, expect, it } from "vitest";
import type { BackgroundSample } from "../../lib/background/sample_background.ts";
import { linearToSrgb, oklabToLinear } from "../../lib/core/colour_space.ts";
import { hueTurnDegrees } from "../../lib/effect/hue_turn.ts";

/** A box of lightness 0.6 with the given chroma and hue. */
const box = (chroma: number, degrees: number): BackgroundSample => {
  const angle = degrees * Math.PI / 180;
  const levels = oklabToLinear(0.6, chroma * Math.cos(angle), chroma * Math.sin(angle)).map(linearToSrgb);
  return { x: 0, y: 0, levels, errors: [0, 0, 0], spreads: [0, 0, 0], byHand: false, doubt: "" };
};

// The published matrices of Oklab are each other's inverse to seven digits: hues come back to some 1e-5 degrees.
describe("the turn of the hue", () => {
  it("is the angle between two colours, and the other way round with the sign changed", () => {
    const before = [box(0.08, 20)];
    const after = [box(0.08, 50)];
    expect(hueTurnDegrees(before, after)).toBeCloseTo(30, 4);
    expect(hueTurnDegrees(after, before)).toBeCloseTo(-30, 4);
  });

  it("does not mind a change of chroma, and is unknown for greys", () => {
    expect(hueTurnDegrees([box(0.04, 100)], [box(0.08, 110)])).toBeCloseTo(10, 4);
    expect(hueTurnDegrees([box(0.001, 0)], [box(0.08, 90)])).toBeNaN();
  });
});
