/** Covers colour/equalise_channels.ts and colour/neutralise_sky.ts. */
import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { equaliseChannels } from "../../lib/colour/equalise_channels.ts";
import { mapLineRatio } from "../../lib/colour/map_line_ratio.ts";
import { neutraliseSky } from "../../lib/colour/neutralise_sky.ts";
import { measureSky } from "../../lib/measure/sky_level.ts";
import { automaticStretch } from "../../lib/tone/automatic_stretch.ts";
import { makeScene } from "../support/scenes_processing.ts";

describe("equaliseChannels and neutraliseSky", () => {
  const scene = makeScene({
    seed: 61,
    width: 240,
    height: 180,
    channels: ["Ha", "OIII"],
    nebula: [800, 200],
    nebulaRadius: 0.2,
    sky: 300,
  });

  it("takes the sky from where a person says it is, in a field that is full of nebula", () => {
    // nebula over nine tenths of the field, free sky at the left only: Ha 100 under a nebula of 60, OIII 40 alone
    const random = randomStream("little sky");
    const width = 200;
    const height = 120;
    const plane = (channel: string, level: number, glow: number) => ({
      channel,
      data: Float32Array.from(
        { length: width * height },
        (_, i) => level + random.gaussian() + (i % width < 20 ? 0 : glow),
      ),
    });
    const image = createImage({ width, height, unit: "adu", planes: [plane("Ha", 100, 60), plane("OIII", 40, 0)] });
    const skyRegion = { x: 0, y: 0, width: 20, height };
    expect(measureSky(image)[0].level).toBeCloseTo(160, 0);
    expect(measureSky(image, skyRegion)[0].level).toBeCloseTo(100, 0);
    const left = (options: object) =>
      measureSky(equaliseChannels(image, { method: "level", ...options }), skyRegion).map((sky) => sky.level);
    const [blind, seen] = [left({}), left({ skyRegion })];
    expect(Math.abs(blind[0] - blind[1])).toBeGreaterThan(50);
    expect(Math.abs(seen[0] - seen[1])).toBeLessThan(0.5);
    // 60 above the sky over 60: without the hint hydrogen counts as sky, and where there is no line there is no ratio
    const twin = createImage({ width, height, unit: "adu", planes: [plane("Ha", 100, 60), plane("OIII", 40, 60)] });
    const ratioAt = (options: object) => mapLineRatio(twin, options).planes[0].data[60 * width + 120];
    expect(ratioAt({ skyRegion })).toBeCloseTo(1, 1);
    expect(ratioAt({})).toBeNaN();
    expect(automaticStretch(image, { skyRegion: skyRegion }).sky[1].level).toBeCloseTo(40, 0);
    expect(() => equaliseChannels(image, { skyRegion: { x: 190, y: 0, width: 20, height: 9 } })).toThrow(
      "measureSky: part must lie within 200 × 120 pixels, but got x 190, y 0, 20 × 9",
    );
  });

  it("brings heights to one and skies to one level; by noise, the noise", () => {
    const out = equaliseChannels(scene.image);
    const top = out.planes.map(({ data }) => data.toSorted()[Math.floor(0.995 * data.length)]);
    const low = out.planes.map(({ data }) => data.toSorted()[Math.floor(0.1 * data.length)]);
    expect(Math.abs((top[0] - low[0]) / (top[1] - low[1]) - 1)).toBeLessThan(0.05);
    const corner = out.planes.map(({ data }) => data.subarray(0, 2400).reduce((a, b) => a + b) / 2400);
    // The sky's level is known to a seventh of its noise (the nebula's wings), and oxygen's noise is 42 after a gain
    // of 4.
    expect(Math.abs(corner[0] - corner[1])).toBeLessThan(42 / 7);
    expect(equaliseChannels(scene.image, { maximumGain: 1 }).history.nodes.at(-1)?.notes[0]).toContain("OIII 1.000");
  });

  it("a neutral sky is made by subtraction alone", () => {
    const random = randomStream(3);
    const planes = [10, 40, 25].map((level, c) => ({
      channel: "RGB"[c],
      data: Float32Array.from({ length: 6400 }, () => level + random.gaussian()),
    }));
    const image = createImage({ width: 80, height: 80, unit: "adu", planes });
    const out = neutraliseSky(image);
    for (let c = 0; c < 3; c++) {
      const mean = out.planes[c].data.reduce((a, b) => a + b) / 6400;
      expect(Math.abs(mean - 25)).toBeLessThan(0.15);
      expect(out.planes[c].data[1] - out.planes[c].data[0]).toBeCloseTo(planes[c].data[1] - planes[c].data[0], 4);
    }
  });
});
