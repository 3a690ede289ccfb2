import { describe, expect, it } from "vitest";
import { constantImage } from "../../lib/core/image.ts";
import { recombineStars } from "../../lib/stars/recombine_stars.ts";
import { stretchAsinh } from "../../lib/tone/stretch_asinh.ts";
import { stretchImage } from "../../lib/tone/stretch_image.ts";
import { historyTable } from "../../lib/view/history_table.ts";

describe("historyTable", () => {
  const stack = constantImage(8, 8, 100);
  const drawn = stretchAsinh(stack, { black: 3, white: 900 });
  const both = recombineStars(drawn, drawn, { strength: 0.5 });

  it("lists everything from the source on, each step with its inputs and options", () => {
    const { svg, alternativeText } = historyTable(both);
    expect(alternativeText).toBe("What was done: table of 3 rows with no., step, from, options used.");
    expect(svg).toContain("a source");
    expect(svg).toContain("step 2, step 2");
    expect(svg).toContain("method screen · strength 0.5");
  });

  it("leaves out what was done before a value", () => {
    const { svg, alternativeText } = historyTable(drawn, { since: stack, title: "Since the stack" });
    expect(alternativeText).toContain("Since the stack: table of 1 row ");
    expect(svg).toContain("the start");
    expect(svg).toMatch(/bend 1000 · black 3 · .* · white 900/);
  });

  it("writes numbers within an option with four digits", () => {
    const curve = { family: "asinh", bend: 127.84821559422413 } as const;
    expect(historyTable(stretchImage(stack, { curve })).svg).toContain("curve {bend:127.8,family:asinh}");
  });

  it("is empty for the value itself", () => {
    expect(historyTable(stack, { since: stack }).alternativeText).toContain("table of 0 rows");
  });

  it("refuses an option it does not know", () => {
    expect(() => historyTable(stack, { before: null } as never)).toThrow(/before/);
  });
});
