/** Covers fact_column.ts and transfer_panel.ts. */
import { describe, expect, it } from "vitest";
import { constantImage, derive } from "../../lib/core/image.ts";
import { beforeAfterSheet } from "../../lib/view/before_after_sheet.ts";
import { linear } from "../support/view_scenes.ts";

describe("beforeAfterSheet", () => {
  it("says that nothing changed when nothing did, and by how much otherwise", () => {
    expect(beforeAfterSheet(linear, linear).svg).toContain("no pixel changed");
    const raised = derive(linear, { planes: linear.planes.map((p) => ({ ...p, data: p.data.map((v) => v + 25) })) }, {
      step: "raised",
      options: {},
    });
    const sheet = beforeAfterSheet(linear, raised);
    expect(sheet.svg).toContain("+25.0 ADU");
    expect(sheet.svg).toContain("−25.0 ADU");
  });
  it("leaves the difference out when the sizes differ", () => {
    const sheet = beforeAfterSheet(linear, constantImage(60, 40, 1000, { channels: ["R", "G", "B"] }));
    expect(sheet.svg).not.toContain("difference");
  });
});
