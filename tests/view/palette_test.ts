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
import { themes } from "../../lib/doors/view.ts";

const hues = ["red", "amber", "teal", "blue", "violet"] as const;
const rgbOf = (hex: string): Color => parse(hex) as Color;

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
  // deficiencies as Machado, Oliveira & Fernandes 2009, computed by culori; 0.1 in Oklab is five times a just
  // noticeable step (0.02)
  const seenAs: Readonly<Record<string, (colour: Color) => Color>> = {
    "normal vision": (colour) => colour,
    protanopia: filterDeficiencyProt(1),
    deuteranopia: filterDeficiencyDeuter(1),
    tritanopia: filterDeficiencyTrit(1),
  };
  it.each(Object.keys(seenAs))("keeps its hues apart under %s", (vision) => {
    const toOklab = converter("oklab");
    const colours = [...hues.map((hue) => theme[hue]), theme.muted].map((hex) => toOklab(seenAs[vision](rgbOf(hex))));
    for (let i = 0; i < colours.length; i++) {
      for (let j = 0; j < i; j++) {
        const [p, q] = [colours[i], colours[j]];
        expect(Math.hypot(p.l - q.l, p.a - q.a, p.b - q.b)).toBeGreaterThan(0.1);
      }
    }
  });
});
