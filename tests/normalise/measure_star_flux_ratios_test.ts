import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { measureStarFluxRatios } from "../../lib/normalise/measure_star_flux_ratios.ts";
import { normaliseLocal } from "../../lib/normalise/normalise_local.ts";
import { median } from "../../lib/stats/median.ts";
import { makeScene } from "../support/scenes_processing.ts";

const scene = makeScene({
  seed: 501,
  width: 480,
  height: 360,
  nebula: [300],
  nebulaRadius: 0.25,
  stars: 200,
  brightest: 2000,
  faintest: 30,
  noise: 4,
});
const size = { width: 480, height: 360 };

describe("two rigs brought together by their stars", () => {
  const random = randomStream(502);
  // The other rig: 62 % of the light, a sky and a gradient of its own.
  const data = Float32Array.from({ length: 480 * 360 }, (_, i) => {
    const lit = scene.image.planes[0].data[i] - scene.noise[0][i] - scene.sky;
    return 0.62 * lit + 340 + 0.1 * (i % 480) + 5 * random.gaussian();
  });
  const other = createImage({ ...size, unit: "adu", planes: [{ channel: "L", data }] });

  it("the ratio of their light is found to a percent", () => {
    const ratios = measureStarFluxRatios(other, scene.image);
    expect(ratios.length).toBeGreaterThan(40);
    expect(Math.abs(median(ratios.map((s) => s.ratio)) / 0.62 - 1)).toBeLessThan(0.01);
  });

  it("and the nebula, level and gradient follow: photometry within 1 %", () => {
    const { image, surface } = normaliseLocal(other, scene.image, {
      starFluxRatios: measureStarFluxRatios(other, scene.image),
    });
    let sx = 0;
    let sy = 0;
    let sxx = 0;
    let sxy = 0;
    let n = 0;
    for (let i = 0; i < data.length; i++) {
      const x = scene.nebula[0][i];
      const y = image.planes[0].data[i] - scene.starFlux[0][i];
      sx += x;
      sy += y;
      sxx += x * x;
      sxy += x * y;
      n++;
    }
    expect(Math.abs((sxy - sx * sy / n) / (sxx - sx * sx / n) - 1)).toBeLessThan(0.01);
    expect(Math.abs(surface.planes[0].scale * 0.62 - 1)).toBeLessThan(0.01);
  });

  it("without stars in common there is no ratio; misuse is refused by name", () => {
    const empty = createImage({
      ...size,
      unit: "adu",
      planes: [{ channel: "L", data: Float32Array.from(data, () => 100 + random.gaussian()) }],
    });
    expect(measureStarFluxRatios(empty, scene.image)).toEqual([]);
    expect(() => measureStarFluxRatios(other, scene.image, { minimumSnr: 0 })).toThrow(
      "minimumSnr must be > 0, but got 0",
    );
  });
});
