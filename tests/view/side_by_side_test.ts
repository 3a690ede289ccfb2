import { describe, expect, it } from "vitest";
import { constantImage, createImage } from "../../lib/core/image.ts";
import { sideBySide } from "../../lib/view/side_by_side.ts";

const pictures = (svg: string) => [...svg.matchAll(/<image /g)].length;
const grey = (level: number) => constantImage(40, 30, level, { unit: "display" });

describe("sideBySide", () => {
  it("sets the images in rows, each with its title and caption", () => {
    const panels = ["one", "two", "three"].map((title) => ({ title, image: grey(0.2), caption: `${title} in words` }));
    const { svg, alternativeText } = sideBySide(panels, { columns: 2, title: "Ways" });
    expect(pictures(svg)).toBe(3);
    expect(alternativeText).toBe("Ways: one (one in words); two (two in words); three (three in words).");
    const tops = [...svg.matchAll(/<image [^>]*?x="([\d.]+)" y="([\d.]+)"/g)].map((each) => each.slice(1).map(Number));
    expect(tops[1][1]).toBe(tops[0][1]);
    expect(tops[2][1]).toBeGreaterThan(tops[0][1]);
    expect(tops[2][0]).toBe(tops[0][0]);
  });

  it("takes images under their titles", () => {
    const sheet = sideBySide({ "darker": grey(0.1), "lighter": grey(0.3) });
    expect(sheet).toEqual(sideBySide([{ title: "darker", image: grey(0.1) }, { title: "lighter", image: grey(0.3) }]));
    expect(() => sideBySide({})).toThrow("panels must be at least one, but got none");
  });

  it("says how linear data were made visible, and draws equal data alike", () => {
    const data = Float32Array.from({ length: 1200 }, (_, i) => 100 + (i * 7919 % 31));
    const image = createImage({ width: 40, height: 30, unit: "adu", planes: [{ channel: "Ha", data }] });
    const { svg } = sideBySide([{ title: "a", image }, { title: "b", image }]);
    const [a, b] = [...svg.matchAll(/xlink:href="([^"]+)"/g)].map((each) => each[1]);
    expect(a).toBe(b);
    expect(svg).toContain("Linear data, brightened for the screen");
  });

  it("shows what the faintest of them shows, whichever comes first", () => {
    const of = (grain: number) => {
      const data = Float32Array.from({ length: 1200 }, (_, i) => 100 + grain * (i * 7919 % 31));
      return createImage({ width: 40, height: 30, unit: "adu", planes: [{ channel: "Ha", data }] });
    };
    const one = { title: "a", image: of(1) };
    const rough = { title: "b", image: of(20) };
    const drawn = (svg: string) => [...svg.matchAll(/xlink:href="([^"]+)"/g)].map((each) => each[1]);
    expect(drawn(sideBySide([one, rough]).svg)).toEqual(drawn(sideBySide([rough, one]).svg).reverse());
  });

  it("draws a histogram under each when asked", () => {
    const plain = sideBySide([{ title: "a", image: grey(0.4) }]);
    const { alternativeText, height } = sideBySide([{ title: "a", image: grey(0) }], { histograms: true });
    expect(height).toBeGreaterThan(plain.height);
    expect(alternativeText).toMatch(/at black: .*100 %/);
  });

  it("refuses nothing, mixed units, and half a column", () => {
    const panel = { title: "a", image: grey(0.4) };
    expect(() => sideBySide([])).toThrow("panels must be at least one, but got none");
    expect(() => sideBySide([panel, { title: "b", image: constantImage(4, 4, 1) }])).toThrow("one unit");
    expect(() => sideBySide([panel], { columns: 1.5 })).toThrow("columns must be a whole number from 1, but got 1.5");
  });
});
