import { describe, expect, it } from "vitest";
import { linearToOklab, srgbToLinear } from "../../lib/core/colour_space.ts";
import { replaceLuminance } from "../../lib/colour/replace_luminance.ts";
import { noisy, pixel } from "../support/pictures.ts";

describe("replaceLuminance", () => {
  const picture = noisy(6, ["R", "G", "B"], "display");

  it("takes lightness from one and hue from the other", () => {
    const light = noisy(7, ["L"], "display");
    const out = replaceLuminance(picture, light);
    for (let i = 0; i < 200; i++) {
      const grey = srgbToLinear(light.planes[0].data[i]);
      const [r, g, b] = pixel(out, i).map(srgbToLinear);
      expect(linearToOklab(r, g, b)[0]).toBeCloseTo(linearToOklab(grey, grey, grey)[0], 3);
    }
    expect(() => replaceLuminance(picture, picture)).toThrow("luminance must have one plane");
  });
});
