import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { detectStars } from "../../lib/mod.ts";

interface ReferenceStar {
  readonly x: number;
  readonly y: number;
  readonly a: number;
  readonly b: number;
  readonly degrees: number;
  readonly flux: number;
  readonly winpos: readonly [number, number];
  readonly moments: readonly [number, number, number];
  readonly eccentricity: number;
  readonly r50: number;
}
const stored = JSON.parse(readFileSync(new URL("../../fixtures/measure/reference.json", import.meta.url), "utf8")) as {
  readonly stars: readonly ReferenceStar[];
};

/** The image of the fixture script, with noise of 0.05 because a frame without any has no signal-to-noise ratio. */
function image(star: ReferenceStar) {
  const width = 96;
  const height = 80;
  const random = randomStream(1);
  const angle = star.degrees * Math.PI / 180;
  const data = Float32Array.from({ length: width * height }, (_, i) => {
    const dx = i % width - star.x;
    const dy = Math.floor(i / width) - star.y;
    const u = dx * Math.cos(angle) + dy * Math.sin(angle);
    const v = -dx * Math.sin(angle) + dy * Math.cos(angle);
    const peak = star.flux / (2 * Math.PI * star.a * star.b);
    return peak * Math.exp(-0.5 * (u * u / star.a ** 2 + v * v / star.b ** 2)) + 0.05 * random.gaussian();
  });
  return createImage({ width, height, unit: "adu", planes: [{ channel: "L", data }] });
}

describe("stars against SEP 1.4.1 and photutils 3.0.0 (fixtures/measure/generate.py)", () => {
  it.each(stored.stars.map((star) => [`${star.a} × ${star.b} at ${star.degrees}°`, star] as const))(
    "%s",
    (_name, star) => {
      const { stars } = detectStars(image(star));
      expect(stars.length).toBe(1);
      const [found] = stars;
      // windowed position: two iterations with their own stopping rules agree to a thousandth of a pixel
      expect(Math.abs(found.x - star.winpos[0])).toBeLessThan(1e-3);
      expect(Math.abs(found.y - star.winpos[1])).toBeLessThan(1e-3);
      // moments: adaptive weights are cut at 3.5 sigma, where 0.2 % is left
      const size = Math.sqrt(star.moments[0] * star.moments[1]);
      const chi = Math.hypot(...found.shape);
      expect(Math.abs(found.fwhmPixels / 2.3548200450309493 / size - 1)).toBeLessThan(0.01);
      const ratio2 = (1 - chi) / (1 + chi);
      expect(Math.abs(Math.sqrt(ratio2) - star.moments[1] / star.moments[0])).toBeLessThan(0.005);
      if (star.a !== star.b) {
        expect(Math.abs(found.elongationDegrees - star.moments[2])).toBeLessThan(0.2);
        expect(Math.abs(found.eccentricity - star.eccentricity)).toBeLessThan(0.01);
      }
      // half-flux radius: rings half a pixel wide against exact overlap
      expect(Math.abs(found.halfFluxRadiusPixels / star.r50 - 1)).toBeLessThan(0.02);
      expect(Math.abs(found.flux / star.flux - 1)).toBeLessThan(0.02);
    },
  );
});
