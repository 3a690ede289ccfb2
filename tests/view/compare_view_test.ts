import { describe, expect, it } from "vitest";
import { constantImage } from "../../lib/core/image.ts";
import { compareView } from "../../lib/view/compare_view.ts";

describe("compareView", () => {
  it("shows both at one size and refuses two sizes", () => {
    const view = compareView(constantImage(80, 50, 3), constantImage(80, 50, 4));
    expect(view.html.match(/data:image\/jpeg/g)?.length).toBe(2);
    expect(view.html).not.toMatch(/https?:/);
    expect(() => compareView(constantImage(8, 8, 3), constantImage(8, 9, 4))).toThrow("images must have one size");
  });
});
