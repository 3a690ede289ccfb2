import {
  type Color,
  converter,
  filterDeficiencyDeuter,
  filterDeficiencyProt,
  filterDeficiencyTrit,
  parse,
  wcagContrast,
} from "culori";
import { describe, expect, it } from "vitest";
import { clippingColours, mixedColour, rgbOf as bytesOf, themes } from "../../lib/view/palette.ts";

const hues = ["red", "amber", "teal", "blue", "violet"] as const;
const rgbOf = (hex: string): Color => parse(hex) as Color;

// deficiencies as Machado, Oliveira & Fernandes 2009, computed by culori; 0.1 in Oklab is five times a just
// noticeable step (0.02)
const seenAs: Readonly<Record<string, (colour: Color) => Color>> = {
  "normal vision": (colour) => colour,
  protanopia: filterDeficiencyProt(1),
  deuteranopia: filterDeficiencyDeuter(1),
  tritanopia: filterDeficiencyTrit(1),
};
const toOklab = converter("oklab");
/** Distance of two colours in Oklab as somebody sees them. */
function seenDistance(one: string, two: string, vision: string): number {
  const [p, q] = [one, two].map((hex) => toOklab(seenAs[vision](rgbOf(hex))));
  return Math.hypot(p.l - q.l, p.a - q.a, p.b - q.b);
}

describe.each([["light"], ["dark"]] as const)("theme %s", (name) => {
  const theme = themes[name];
  // WCAG 2.1: 4.5 : 1 for text (1.4.3), 3 : 1 for marks (1.4.11); contrast computed by culori 4.0.2
  it("has readable text and marks that stand out", () => {
    for (const ground of [theme.background, theme.panel]) {
      expect(wcagContrast(theme.ink, ground)).toBeGreaterThan(7);
      expect(wcagContrast(theme.muted, ground)).toBeGreaterThan(4.5);
    }
    // hexadecimal rounding
    for (const hue of hues) expect(wcagContrast(theme[hue], theme.background)).toBeGreaterThanOrEqual(2.98);
  });
  it.each(Object.keys(seenAs))("keeps its hues apart under %s", (vision) => {
    const colours = [...hues.map((hue) => theme[hue]), theme.muted];
    for (let i = 0; i < colours.length; i++) {
      for (let j = 0; j < i; j++) expect(seenDistance(colours[i], colours[j], vision)).toBeGreaterThan(0.1);
    }
  });
});

describe("marks of clipped pixels", () => {
  const grounds = ["#000000", "#ffffff", themes.light.background, themes.dark.background];
  it("stand out from black, white and both themes", () => {
    for (const ground of grounds) {
      expect(wcagContrast(clippingColours.black, ground)).toBeGreaterThanOrEqual(3);
      expect(wcagContrast(clippingColours.white, ground)).toBeGreaterThanOrEqual(3);
    }
  });
  it.each(Object.keys(seenAs))("are told apart under %s", (vision) => {
    expect(seenDistance(clippingColours.black, clippingColours.white, vision)).toBeGreaterThan(0.15);
  });
});

describe("colours", () => {
  it("are read and mixed channel by channel", () => {
    expect(bytesOf("#0a14ff")).toEqual([10, 20, 255]);
    expect(mixedColour([0, 100, 200], [100, 0, 200], 0.25)).toEqual([25, 75, 200]);
  });
});
