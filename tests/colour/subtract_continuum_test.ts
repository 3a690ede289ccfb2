import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { subtractContinuum } from "../../lib/colour/subtract_continuum.ts";
import { makeScene } from "../support/scenes_processing.ts";

describe("subtractContinuum", () => {
  it("undoes a known mixture, by a given scale and by the stars' own", () => {
    // A filter of 5 nm holds 50 of line and 50 of continuum; one of 100 nm holds 1000 and 50: the exact form returns
    // 50.
    const wide = createImage({
      width: 20,
      height: 20,
      unit: "adu",
      planes: [{ channel: "L", data: Float32Array.from({ length: 400 }, (_, i) => i < 300 ? 0 : 1050) }],
    });
    const narrow = createImage({
      width: 20,
      height: 20,
      unit: "adu",
      planes: [{ channel: "Ha", data: Float32Array.from({ length: 400 }, (_, i) => i < 300 ? 0 : 100) }],
    });
    const out = subtractContinuum(narrow, wide, { scale: 0.05, lineShare: 0.05, matchWidths: false });
    expect(out.planes[0].data[350]).toBeCloseTo(50, 4);
    const stars = makeScene({ seed: 63, width: 300, height: 220, stars: 80, brightest: 2000, faintest: 60 });
    const c = stars.image;
    const random = randomStream(1);
    const line = createImage({
      width: 300,
      height: 220,
      unit: "adu",
      planes: [{ channel: "Ha", data: c.planes[0].data.map((v) => 50 + 0.2 * (v - 1000) + random.gaussian()) }],
    });
    const free = subtractContinuum(line, c).planes[0].data;
    expect(Math.abs(free.reduce((a, b) => a + b) / free.length - 50)).toBeLessThan(0.2);
    expect(() => subtractContinuum(narrow, wide)).toThrow("at least 5 stars must show");
  });

  it.each([81, 82, 83])(
    "finds the scale of stars that stand in a bright, knotty line, seed %i",
    (seed) => {
      const size = { width: 400, height: 300 };
      const stars = makeScene({ ...size, seed, stars: 120, brightest: 2000, faintest: 30 });
      const c = stars.image.planes[0].data;
      const gas = makeScene({ ...size, seed: seed + 500, nebula: [2000], nebulaRadius: 0.45 }).nebula[0];
      const random = randomStream(seed);
      const data = Float32Array.from(c, (_, i) => 50 + 0.3 * stars.starFlux[0][i] + gas[i] + 3 * random.gaussian());
      const line = createImage({ ...size, unit: "adu", planes: [{ channel: "Ha", data }] });
      const scale = subtractContinuum(line, stars.image).history.nodes.at(-1)?.options.scale as number;
      expect(Math.abs(scale / 0.3 - 1)).toBeLessThan(0.03);
    },
  );
});
