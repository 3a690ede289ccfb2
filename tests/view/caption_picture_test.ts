import { describe, expect, it } from "vitest";
import { constantImage } from "../../lib/core/image.ts";
import { decodePng } from "../../lib/io/decode_png.ts";
import { captionPicture, chooseScaleBar } from "../../lib/view/caption_picture.ts";
import { finished, linear } from "../support/view_scenes.ts";

describe("captionPicture", () => {
  it("draws a scale bar of the length it names", () => {
    const image = constantImage(1200, 300, 0, { unit: "display", channels: ["R", "G", "B"] });
    const made = captionPicture(image, { object: "Lantern Nebula", arcsecPerPixel: 2 }, { format: "png" });
    // 150 pixels; 10 arcmin would be 300, above 0.16 × 1200
    expect(made.alternativeText).toContain("scale bar 5 arcmin");
    const { samples } = decodePng(made.bytes);
    let longest = 0;
    for (let y = 300; y < made.height; y++) {
      for (let x = 0, run = 0; x < 1200; x++) {
        run = samples[3 * (y * 1200 + x)] > 90 ? run + 1 : 0;
        longest = Math.max(longest, run);
      }
    }
    expect(Math.abs(longest - 150)).toBeLessThanOrEqual(2); // anti-aliased ends
  });
  it("chooses the longest length that fits, from arcseconds to degrees", () => {
    expect(chooseScaleBar(1, 100)?.name).toBe("1 arcmin");
    expect(chooseScaleBar(0.05, 250)?.name).toBe("10 arcsec");
    expect(chooseScaleBar(30, 250)?.name).toBe("2°");
    expect(chooseScaleBar(0.5, 1)).toBeNull();
  });
  it("keeps the picture's pixels", () => {
    const made = decodePng(captionPicture(finished, {}, { format: "png" }).bytes);
    const wrong = Array.from(finished.planes[1].data, (v, i) => Math.abs(made.samples[3 * i + 1] - Math.round(255 * v)))
      .filter((difference) => difference > 0);
    expect(wrong).toEqual([]);
  });
  it("names what is wrong", () => {
    expect(() => captionPicture(linear)).toThrow("captionPicture: image must be a stretched picture");
    expect(() => captionPicture(finished, {}, { longerSide: 20 })).toThrow(
      "longerSide must be ≥ 200 pixels, but got 20",
    );
  });
});
