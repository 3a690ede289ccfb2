import { describe, expect, it } from "vitest";
import { encodeSheet } from "../../lib/view/sheet.ts";
import { imageView } from "../../lib/view/image_view.ts";
import { table } from "../../lib/view/table.ts";
import { linear } from "../support/view_scenes.ts";

describe("encodeSheet", () => {
  const sheet = table([{ file: "a<b", FWHM: 2.5 }], { title: "Frames" });
  it("gives the same bytes again", () => {
    expect(encodeSheet(imageView(linear, { title: "One sub" })).bytes).toEqual(
      encodeSheet(imageView(linear, { title: "One sub" })).bytes,
    );
  });
  it("zooms and refuses what no viewer opens", () => {
    expect(encodeSheet(sheet, { zoom: 2 }).width).toBe(2 * sheet.width);
    expect(() => encodeSheet(sheet, { zoom: 0 })).toThrow("encodeSheet: zoom must be above 0");
    expect(() => encodeSheet(sheet, { zoom: 100 })).toThrow("at most 16384 pixels a side");
  });
});
