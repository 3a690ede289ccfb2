import { describe, expect, it } from "vitest";
import { constantImage, createImage } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { enhanceDetail, enhanceDetailMargin, enhanceDetailMeasures } from "../../lib/detail/enhance_detail.ts";
import { changedSamples, differingSamples, randomPatch } from "../support/patches.ts";
import { makeScene } from "../support/scenes_processing.ts";

describe("enhanceDetail", () => {
  it("gains of 1 return the input", () => {
    const scene = makeScene({ seed: 52, width: 80, height: 60, nebula: [300] });
    expect([...enhanceDetail(scene.image, { gains: [1, 1, 1] }).planes[0].data]).toEqual([
      ...scene.image.planes[0].data,
    ]);
  });

  it("raises structure and leaves noise alone", () => {
    const width = 200;
    const height = 150;
    const random = randomStream(4);
    const wave = (i: number) => i % width < 100 ? 60 * Math.sin(i % width / 4) : 0;
    const data = Float32Array.from({ length: width * height }, (_, i) => 500 + wave(i) + 3 * random.gaussian());
    const image = createImage({ width, height, unit: "adu", planes: [{ channel: "L", data }] });
    const out = enhanceDetail(image, { gains: [1, 1, 1.5, 1.5] }).planes[0].data;
    let waves = 0;
    let noise = 0;
    for (let i = 0; i < data.length; i++) {
      if (i % width > 20 && i % width < 80) waves += (out[i] - 500) * wave(i) / (60 * 60 / 2 * 59 * height);
      if (i % width > 140) noise = Math.max(noise, Math.abs(out[i] - data[i]));
    }
    expect(waves).toBeGreaterThan(1.15);
    expect(noise).toBeLessThan(1.5);
    expect(() => enhanceDetail(image, { gains: [] })).toThrow("gains must be one to eight numbers");
    expect(enhanceDetail(constantImage(9, 9, 1, { unit: "display" })).planes[0].data[0]).toBe(1);
  });
});

describe("enhanceDetail on a patch", () => {
  it("equals the whole bit for bit, given its measures and the stated margin", () => {
    const { image } = makeScene({
      seed: 59,
      width: 320,
      height: 280,
      channels: ["R", "G", "B"],
      nebula: [900, 500, 80],
    });
    const whole = enhanceDetail(image);
    const measured = enhanceDetailMeasures(image);
    expect(enhanceDetailMargin()).toBe(62);
    const patch = randomPatch(image, enhanceDetailMargin(), 100, 70, 2);
    expect(changedSamples(patch, image, whole)).toBeGreaterThan(1000);
    expect(differingSamples(patch, enhanceDetail(patch.image, { measured }), whole)).toBe(0);
    const near = randomPatch(image, 48, 100, 70, 2);
    expect(differingSamples(near, enhanceDetail(near.image, { measured }), whole)).toBeGreaterThan(0);
    expect(enhanceDetail(patch.image, { measured }).history.nodes.at(-1)?.options.measured).toEqual(measured);
  });
});
