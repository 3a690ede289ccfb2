import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/doors/extend.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { type Image, measureSky } from "../../lib/mod.ts";

const imageOf = (width: number, height: number, ...planes: ((x: number, y: number) => number)[]): Image =>
  createImage({
    width,
    height,
    unit: "adu",
    planes: planes.map((value, c) => ({
      channel: `C${c}`,
      data: Float32Array.from({ length: width * height }, (_, i) => value(i % width, Math.floor(i / width))),
    })),
  });

describe("measureSky", () => {
  it("finds level and noise of a sky with objects on a third of the field", () => {
    const random = randomStream("sky");
    const [sky] = measureSky(imageOf(300, 200, (x) => 100 + 5 * random.gaussian() + (x % 3 === 0 ? 80 : 0)));
    expect(Math.abs(sky.level - 100)).toBeLessThan(0.5);
    expect(Math.abs(sky.noise - 5)).toBeLessThan(0.3);
  });

  it("finds free sky in a field full of nebula where it is darkest, in all channels at once", () => {
    const random = randomStream("full");
    // nebula of 40 over nine tenths; the second channel has a hole of its own elsewhere, which is no sky of the first
    const free = (x: number, y: number) => x > 240 && y > 150;
    const image = imageOf(
      320,
      240,
      (x, y) => 20 + 2 * random.gaussian() + (free(x, y) ? 0 : 40 + 6 * Math.sin(x / 9)),
      (x, y) => 10 + random.gaussian() + (free(x, y) || (x < 60 && y < 60) ? 0 : 5),
    );
    const whole = measureSky(image);
    const darkest = measureSky(image, "darkest");
    expect(whole[0].level).toBeGreaterThan(50);
    expect(Math.abs(darkest[0].level - 20)).toBeLessThan(0.3);
    expect(Math.abs(darkest[0].noise - 2)).toBeLessThan(0.3);
    expect(Math.abs(darkest[1].level - 10)).toBeLessThan(0.15);
  });

  it("looks where it is told, and refuses what is no part", () => {
    const image = imageOf(100, 80, (x) => x < 50 ? 7 : 9);
    expect(measureSky(image, { x: 50, y: 0, width: 50, height: 80 })[0].level).toBe(9);
    expect(() => measureSky(image, { x: 60, y: 0, width: 50, height: 80 })).toThrow("part must lie within 100 × 80");
    expect(() => measureSky(image, "dark" as "darkest")).toThrow('a region, "darkest" or null');
  });

  it("leaves NaN out, and has no sky where there is no data", () => {
    const [none] = measureSky(imageOf(64, 64, () => NaN));
    expect([none.level, none.share]).toEqual([NaN, 0]);
    const random = randomStream("gaps");
    const [some] = measureSky(imageOf(128, 128, (x) => x < 100 ? NaN : 30 + random.gaussian()), "darkest");
    expect(Math.abs(some.level - 30)).toBeLessThan(0.3);
  });
});
