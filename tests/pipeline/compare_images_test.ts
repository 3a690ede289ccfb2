import { describe, expect, it } from "vitest";
import { constantImage, createImage } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { measureEffect } from "../../lib/effect/measure_effect.ts";
import { compareImages } from "../../lib/pipeline/compare_images.ts";
import { effectSheet } from "../../lib/pipeline/effect_sheet.ts";
import { stretchAsinh } from "../../lib/tone/stretch_asinh.ts";
import { compareView } from "../../lib/view/compare_view.ts";

describe("compareImages", () => {
  const random = randomStream(8);
  const noise = () => Float32Array.from({ length: 96 * 80 }, () => 100 + 5 * random.gaussian());
  const planes = ["Ha", "OIII"].map((channel) => ({ channel, data: noise() }));
  const image = createImage({ width: 96, height: 80, unit: "adu", planes });
  const after = stretchAsinh(image, { black: 99, white: 1000 });

  it("is the effect, the sheet with its ledger and the slider in one value", () => {
    const compared = compareImages(image, after, { title: "Too dark" });
    const effect = measureEffect(image, after);
    expect(compared.effect).toEqual(effect);
    expect(compared.doubts).toEqual(effect.doubts);
    expect(compared.doubts[0]).toContain("clipped to black");
    const sheet = effectSheet(image, after, effect, { title: "Too dark" });
    expect(compared.sheet).toEqual(sheet);
    expect(compared.slider).toEqual(compareView(image, after, { title: "Too dark", sheet }));
    expect(compared.sheet).toBe(compared.sheet);
  });

  it("measures and shows one channel, and enlarges the region named", () => {
    const region = { x: 8, y: 8, width: 24, height: 16 };
    const { effect, sheet, slider } = compareImages(image, after, { channel: "OIII", region });
    const alone = (each: typeof image) => ({ ...each, planes: [each.planes[1]] });
    expect(effect).toEqual(measureEffect(alone(image), alone(after)));
    expect(sheet.svg).toContain("part at x 8 … 31, y 8 … 23");
    expect(slider.sheet).toBe(sheet);
  });

  it("names what cannot be compared", () => {
    const onePlane = createImage({ width: 96, height: 80, unit: "adu", planes: [planes[0]] });
    expect(() => compareImages(image, constantImage(5, 5, 1))).toThrow("compareImages: images must have one size");
    expect(() => compareImages(image, onePlane)).toThrow(
      "compareImages: images must have as many planes, but got 2 and 1",
    );
    expect(() => compareImages(image, after, { region: { x: 90, y: 0, width: 9, height: 9 } })).toThrow(
      "compareImages: region must lie within 96 × 80 pixels",
    );
  });
});
