import { describe, expect, it } from "vitest";
import { shapeMap } from "../../lib/view/shape_map.ts";
import { linear, star } from "../support/view_scenes.ts";

describe("shapeMap", () => {
  it("gives back the eccentricity and FWHM of stars that are all alike", () => {
    // e² = 2 s / (1 + s) with s = (a² − b²)/(a² + b²): s = 0.5 is e = 0.816
    const stars = Array.from(
      { length: 64 },
      (_, i) => ({ ...star, x: i % 8 * 15, y: Math.floor(i / 8) * 10, shape: [0.5, 0] as const }),
    );
    expect(shapeMap(stars, linear).alternativeText).toContain(
      "FWHM 4.71 to 4.71 px, median 4.71 px; median eccentricity of the cells 0.82",
    );
  });
});
