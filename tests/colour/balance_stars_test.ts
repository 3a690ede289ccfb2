import { describe, expect, it } from "vitest";
import { constantImage, createImage, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { balanceStars, measureStarBalance } from "../../lib/colour/balance_stars.ts";
import { planckPhotons } from "../../lib/sky/black_body.ts";
import { makeScene, moffat } from "../support/scenes_processing.ts";
import { noisy } from "../support/pictures.ts";

describe("star colours", () => {
  const field = (gains: readonly number[], hot: number): Image => {
    const random = randomStream(7);
    const size = 360;
    const data = gains.map(() => new Float32Array(size * size));
    for (const plane of data) for (let i = 0; i < plane.length; i++) plane[i] = 100 + 2 * random.gaussian();
    for (let k = 0; k < 60; k++) {
      const x0 = 15 + 330 * random.uniform();
      const y0 = 15 + 330 * random.uniform();
      const peak = 400 + 3000 * random.uniform();
      const kelvin = hot * Math.exp(0.25 * random.gaussian());
      [620, 530, 460].forEach((w, c) => {
        const light = peak * planckPhotons(w, kelvin) / planckPhotons(530, kelvin) / gains[c];
        for (let y = Math.floor(y0) - 10; y <= y0 + 10; y++) {
          for (let x = Math.floor(x0) - 10; x <= x0 + 10; x++) {
            if (x >= 0 && y >= 0 && x < size && y < size) {
              data[c][y * size + x] += light * moffat((x - x0) ** 2 + (y - y0) ** 2, 3);
            }
          }
        }
      });
    }
    const planes = data.map((plane, c) => ({ channel: "RGB"[c], data: plane }));
    return createImage({ width: size, height: size, unit: "adu", planes });
  };

  it("recovers the gains of a camera from stars of known typical temperature", () => {
    const gains = [1.7, 1, 2.2];
    const image = field(gains, 5772);
    const white = [620, 530, 460].map((w) => planckPhotons(w, 5772) / planckPhotons(530, 5772));
    for (const method of ["mean", "locus"] as const) {
      const found = measureStarBalance(image, { method });
      expect(found.stars).toBeGreaterThan(30);
      // Gains that make a body of 5772 K white: those of the camera over its colour; 60 stars of 25 % scatter in
      // temperature.
      found.gains.forEach((gain, c) => expect(Math.abs(gain / (gains[c] / white[c]) - 1)).toBeLessThan(0.05));
    }
  });

  it("balances about the sky, so that the sky stays neutral", () => {
    const out = balanceStars(field([1.7, 1, 2.2], 5772));
    const corner = out.planes.map(({ data }) => data.toSorted()[data.length >> 1]);
    expect(Math.max(...corner) - Math.min(...corner)).toBeLessThan(0.3);
    expect(out.history.nodes.at(-1)?.notes[0]).toMatch(/^gains: R 1\.\d+, G 1\.000, B/);
  });

  it("leaves the balance alone without stars and says so; refuses misuse", () => {
    const bare = makeScene({ seed: 3, width: 100, height: 100, channels: ["R", "G", "B"] }).image;
    expect(measureStarBalance(bare).notes[0]).toContain("left as it is");
    expect(() => balanceStars(constantImage(9, 9, 1))).toThrow("at least two planes");
    expect(() => balanceStars(noisy(1, ["Ha", "OIII"]), { method: "locus" })).toThrow(
      'method "locus" must have R, G, B',
    );
  });
});
