import { describe, expect, it } from "vitest";
import { constantImage, createImage } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { type Effect, measureEffect } from "../../lib/effect/measure_effect.ts";
import { stretchAsinh } from "../../lib/tone/stretch_asinh.ts";
import { effectLines } from "../../lib/view/effect_lines.ts";

const random = randomStream(3);
const data = Float32Array.from({ length: 96 * 80 }, () => 100 + 5 * random.gaussian());
const image = createImage({ width: 96, height: 80, unit: "adu", planes: [{ channel: "Ha", data }] });
const quantities = (effect: Effect, starless = false) =>
  effectLines(effect, starless).lines.map((each) => each.quantity);

describe("effectLines", () => {
  it("prints no change of noise where the unit changed", () => {
    const noise = (effect: Effect) => effectLines(effect).lines.find((each) => each.quantity === "noise at 1 px");
    const halved = createImage({
      width: 96,
      height: 80,
      unit: "adu",
      planes: [{ channel: "Ha", data: data.map((v) => 100 + (v - 100) / 2) }],
    });
    expect(noise(measureEffect(image, halved))?.change).toBe("−50.0 %");
    expect(noise(measureEffect(image, stretchAsinh(image, { black: 50, white: 1000 })))?.change).toBe("");
  });

  it("says nothing of stars where there are none to be", () => {
    const effect = measureEffect(image, image);
    expect(quantities(effect)).toContain("stars");
    expect(quantities(effect, true)).not.toContain("stars");
  });

  it("hands on the doubts, and leaves out what could not be measured", () => {
    const effect = measureEffect(constantImage(96, 80, 1), constantImage(96, 80, 1));
    expect(effectLines(effect).doubts).toBe(effect.doubts);
    expect(quantities(effect)).not.toContain("flux of the nebula");
  });
});
