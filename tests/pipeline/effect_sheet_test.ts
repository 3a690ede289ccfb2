import { describe, expect, it } from "vitest";
import { createImage } from "../../lib/core/image.ts";
import { randomStream } from "../../lib/core/random.ts";
import { measureEffect } from "../../lib/effect/measure_effect.ts";
import { effectSheet } from "../../lib/pipeline/effect_sheet.ts";
import { stretchAsinh } from "../../lib/tone/stretch_asinh.ts";

describe("effectSheet", () => {
  const random = randomStream(8);
  const data = Float32Array.from({ length: 96 * 80 }, () => 100 + 5 * random.gaussian());
  const image = createImage({ width: 96, height: 80, unit: "adu", planes: [{ channel: "Ha", data }] });

  it("prints the ledger and its doubts, after facts of the caller's own", () => {
    const after = stretchAsinh(image, { black: 99, white: 1000 });
    const effect = measureEffect(image, after);
    const fact = { quantity: "frames", before: "8", after: "8", change: "" };
    const { svg, alternativeText } = effectSheet(image, after, effect, {
      title: "Too dark",
      findings: { facts: [fact], doubts: [] },
    });
    expect(alternativeText).toContain("Frames 8 to 8, noise at 1 px");
    expect(alternativeText).toContain(effect.doubts[0]);
    expect(svg).toContain("Please check");
  });

  it("raises no doubt of its own", () => {
    const sheet = effectSheet(image, image, measureEffect(image, image), { detailRegion: "none" });
    expect(sheet.svg).not.toContain("Please check");
  });
});
