import { describe, expect, it } from "vitest";
import { longRig, resizeRig, simulateFrame, starScene } from "../../lib/doors/simulate.ts";
import { type CloseFrame, frameCloseups, measureFrame } from "../../lib/mod.ts";

const rig = resizeRig(longRig, { width: 200, height: 150 });
const { image } = simulateFrame(rig, starScene({ starsToMagnitude15: 9000, maximumMagnitude: 15 }), { filter: "OIII" });
const { stars } = measureFrame(image);
const frame = (file: string, parts: Partial<CloseFrame> = {}): CloseFrame => ({
  file,
  verdict: "reject",
  cause: "cloud",
  evidence: "transparency 34 %",
  stars,
  read: () => image,
  ...parts,
});

describe("frameCloseups", () => {
  const { svg, alternativeText, height } = frameCloseups([frame("lights/a.fits"), frame("b.fits"), frame("c.fits")]);
  it("shows each frame whole and a piece of it, with stars marked and words below", () => {
    expect(svg.match(/<image /g)?.length).toBe(6);
    expect((svg.match(/<ellipse /g) ?? []).length).toBeGreaterThan(3 * Math.min(60, stars.length));
    expect(svg).toContain("reject: cloud");
    expect(alternativeText).toContain("lights/a.fits: reject, cloud");
  });
  it("puts the third frame into a second row", () => {
    expect(height).toBeGreaterThan(1.6 * frameCloseups([frame("a"), frame("b")]).height);
  });
  it("reads each frame once, and shows one without stars", () => {
    let reads = 0;
    const read = () => {
      reads++;
      return image;
    };
    frameCloseups([frame("a", { stars: [], read })]);
    expect(reads).toBe(1);
  });
  it("gives every clip a name of its own: they share a page", () => {
    const names = [...svg.matchAll(/clipPath id="([^"]+)"/g)].map((each) => each[1]);
    expect(new Set(names).size).toBe(names.length);
  });
  it("refuses what it cannot lay out", () => {
    expect(() => frameCloseups([], { columns: 9 })).toThrow("frameCloseups: columns must be 1 to 4, but got 9");
  });
});
