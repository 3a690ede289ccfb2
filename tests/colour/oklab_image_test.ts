import { describe, expect, it } from "vitest";
import { fromOklab, toOklab } from "../../lib/colour/oklab_image.ts";
import { noisy } from "../support/pictures.ts";

describe("pictures in Oklab", () => {
  const picture = noisy(6, ["R", "G", "B"], "display");

  it("toOklab and fromOklab return where they came from", () => {
    const back = fromOklab(toOklab(picture));
    for (let c = 0; c < 3; c++) {
      for (let i = 0; i < 1600; i++) {
        expect(Math.abs(back.planes[c].data[i] - picture.planes[c].data[i])).toBeLessThan(1e-4);
      }
    }
  });
});
