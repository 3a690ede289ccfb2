/** Luminance and colours as one luminance: the mean of least variance, against its formula. */
import { describe, expect, it } from "vitest";
import { mixLuminance } from "../../lib/colour/mix_luminance.ts";
import { createImage, type Image } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { drawStars, testProfile } from "../support/scenes.ts";

const size = 200;

const stars = Array.from({ length: 60 }, (_, i) => {
  const place = randomStream(`place ${i}`);
  return { x: 10 + 180 * place.uniform(), y: 10 + 180 * place.uniform(), flux: 2000 + 20000 * place.uniform() };
});

/** One channel of a field of stars: their flux times `gain`, over a sky with noise. */
function channel(name: string, gain: number, level: number, sigma: number) {
  const random = randomStream(name);
  const data = Float32Array.from({ length: size * size }, () => level + sigma * random.gaussian());
  drawStars(data, size, size, stars.map((star) => ({ ...star, flux: gain * star.flux })), { ...testProfile, fwhm: 3 });
  return { channel: name, data };
}

const image = (planes: readonly { readonly channel: string; readonly data: Float32Array }[]): Image =>
  createImage({ width: size, height: size, unit: "adu", planes });

const luminance = image([channel("L", 1, 500, 6)]);
const colour = image([channel("R", 0.2, 90, 3), channel("G", 0.25, 110, 3), channel("B", 0.15, 70, 3)]);

describe("mixLuminance", () => {
  const both = mixLuminance(luminance, colour);
  const note = both.history.nodes.at(-1)?.notes?.[0] ?? "";

  it("brings the colours to the scale of the luminance by the stars", () => {
    // a star has 0.2 + 0.25 + 0.15 = 0.6 of its flux in the colours
    expect(Math.abs(Number(/scale ([\d.]+)/.exec(note)?.[1]) * 0.6 - 1)).toBeLessThan(0.01);
  });

  it("weighs by the inverse variance and says so", () => {
    const other = Math.sqrt(3) * 3 / 0.6;
    const share = (1 / 36) / (1 / 36 + 1 / (other * other));
    expect(Math.abs(Number(/luminance ([\d.]+)/.exec(note)?.[1]) - share)).toBeLessThan(0.02);
  });

  it("has less noise than either, as the formula says, and the stars and sky of the luminance", () => {
    const free: number[] = [];
    for (let p = 0; p < size * size; p++) {
      const x = p % size;
      const y = Math.floor(p / size);
      if (stars.every((star) => Math.hypot(star.x - x, star.y - y) > 12)) free.push(both.planes[0].data[p]);
    }
    const mean = free.reduce((a, b) => a + b, 0) / free.length;
    const noise = Math.sqrt(free.reduce((a, b) => a + (b - mean) ** 2, 0) / free.length);
    const other = Math.sqrt(3) * 3 / 0.6;
    expect(Math.abs(noise * Math.sqrt(1 / 36 + 1 / (other * other)) - 1)).toBeLessThan(0.03);
    expect(Math.abs(mean - 500)).toBeLessThan(0.5);
    const [{ x, y }] = [...stars].sort((a, b) => b.flux - a.flux);
    const at = Math.round(y) * size + Math.round(x);
    expect(Math.abs((both.planes[0].data[at] - 500) / (luminance.planes[0].data[at] - 500) - 1)).toBeLessThan(0.03);
  });

  it("takes the other's value where one has no data", () => {
    const data = luminance.planes[0].data.slice();
    data[5] = NaN;
    const holed = mixLuminance(image([{ channel: "L", data }]), colour);
    expect(Number.isFinite(holed.planes[0].data[5])).toBe(true);
  });

  it("says what is wrong", () => {
    const empty = image([{ channel: "L", data: new Float32Array(size * size).fill(3) }]);
    expect(() => mixLuminance(empty, colour)).toThrow("must share at least 5 stars");
    expect(() => mixLuminance(colour, colour)).toThrow("must have one plane");
    expect(() => mixLuminance(luminance, colour, { scale: 0 })).toThrow("scale must be > 0");
  });
});
