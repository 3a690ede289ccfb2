import { describe, expect, it } from "vitest";
import { mapLineRatio } from "../../lib/colour/map_line_ratio.ts";
import { makeScene } from "../support/scenes_processing.ts";

describe("mapLineRatio", () => {
  it("finds the ratio where both lines show and says how sure it is", () => {
    const scene = makeScene({
      seed: 62,
      width: 240,
      height: 180,
      channels: ["Ha", "OIII"],
      nebula: [2000, 500],
      sky: 300,
    });
    const map = mapLineRatio(scene.image);
    const [ratio, snr] = map.planes.map((plane) => plane.data);
    let error = 0;
    let n = 0;
    let claimed = 0;
    for (let i = 0; i < ratio.length; i++) {
      if (!(scene.nebula[1][i] > 200)) continue;
      const truth = scene.nebula[1][i] / scene.nebula[0][i];
      error += (ratio[i] / truth - 1) ** 2;
      claimed += 1 / snr[i] ** 2;
      n++;
    }
    expect(n).toBeGreaterThan(500);
    // Smoothing bends a textured nebula a little as well, so the error may exceed the noise, but not by much.
    expect(Math.sqrt(error / n)).toBeLessThan(0.05);
    expect(Math.sqrt(error / claimed)).toBeLessThan(4);
    expect(ratio[0]).toBeNaN();
  });
});
