import { describe, expect, it } from "vitest";
import { constantImage, derive } from "../../lib/core/image.ts";
import { saturate } from "../../lib/colour/saturate.ts";
import { isStarless, purposeBetween } from "../../lib/pipeline/purpose_between.ts";
import { stretchAsinh } from "../../lib/tone/stretch_asinh.ts";

describe("purposeBetween", () => {
  const stack = constantImage(16, 12, 100, { channels: ["R", "G", "B"] });
  const picture = stretchAsinh(stack, { black: 10, white: 1000 });

  it("adds up what known steps are meant to change", () => {
    expect(purposeBetween(stack, picture)).toEqual({ changesStars: false, changesColour: false });
    expect(purposeBetween(stack, saturate(picture)).changesColour).toBe(true);
    expect(purposeBetween(picture, saturate(picture)).changesColour).toBe(true);
  });

  it("takes nothing as meant of steps it does not know and of images that have nothing to do with one another", () => {
    const own = derive(saturate(picture), {}, { step: "myOwnStep", options: {} });
    expect(purposeBetween(picture, own)).toEqual({ changesStars: false, changesColour: false });
    expect(purposeBetween(constantImage(16, 12, 3), saturate(picture)).changesColour).toBe(false);
  });

  it("asks nothing of the stars of an image without stars", () => {
    const starless = derive(stack, {}, { step: "separateStars", options: {}, output: "starless" });
    expect(isStarless(starless)).toBe(true);
    expect(isStarless(derive(starless, {}, { step: "recombineStars", options: {} }))).toBe(false);
    expect(purposeBetween(starless, derive(starless, {}, { step: "reduceNoise", options: {} })).changesStars).toBe(
      true,
    );
  });
});
