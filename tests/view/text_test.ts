/** Covers rasteriser.ts and io/asset.ts. */
import { describe, expect, it } from "vitest";
import { rasterise } from "../../lib/view/rasteriser.ts";
import {
  escapeText,
  fitText,
  formatDuration,
  formatNumber,
  formatShare,
  textElement,
  textWidth,
  tickText,
  wrapText,
} from "../../lib/view/text.ts";

/** Columns from the first to the last inked pixel of a text as the rasteriser sets it. */
function inkWidth(text: string, size: number, face: "text" | "bold" | "title"): number {
  const zoom = 4;
  const element = textElement(text, 10, 60, { size, fill: "#000000", face });
  const svg = `<svg xmlns="http://www.w3.org/2000/svg" width="500" height="90">${element}</svg>`;
  const { width, height, samples } = rasterise(svg, zoom, "#ffffff");
  let first = width;
  let last = -1;
  for (let y = 0; y < height; y++) {
    for (let x = 0; x < width; x++) {
      if (samples[3 * (y * width + x)] < 128) {
        first = Math.min(first, x);
        last = Math.max(last, x);
      }
    }
  }
  return (last - first + 1) / zoom;
}

describe("textWidth", () => {
  // resvg shapes the text on its own: an independent measure of the same font, less the side bearings of the outer
  // signs and kerning
  it.each([["text", "Hα 5.2 e⁻/s ± 0.3″"], ["bold", "FWHM (px)"], ["title", "minimum"]] as const)(
    "of the %s face agrees with what the rasteriser draws",
    (face, text) => {
      const ink = inkWidth(text, 32, face);
      const width = textWidth(text, 32, face);
      expect(width).toBeGreaterThan(ink);
      expect(width - ink).toBeLessThan(0.25 * 32);
    },
  );
  it("has the advance of DejaVu Sans Condensed Bold for a figure", () => {
    // horizontal advance of "0" is 1282 of 2048 units in the font's hmtx table, read with fontTools 4.68.0
    expect(textWidth("0", 2048, "bold")).toBe(1282);
  });
});

describe("lines", () => {
  it("are broken at spaces and never wider than asked", () => {
    const lines = wrapText("The stacks are as deep as their frames allow, and the night was clear.", 14, 160);
    expect(lines.length).toBeGreaterThan(2);
    expect(lines.join(" ")).toBe("The stacks are as deep as their frames allow, and the night was clear.");
    for (const line of lines) expect(textWidth(line, 14)).toBeLessThanOrEqual(160);
  });
  it("keep both ends of a text that must be cut", () => {
    const cut = fitText("lights/2026-10-03/Ha_300s_0001.fits", 14, 120);
    expect(textWidth(cut, 14)).toBeLessThanOrEqual(120);
    expect(cut).toMatch(/^lig.*….*fits$/);
  });
});

describe("numbers", () => {
  it.each<readonly [number, number, string]>([
    [0.001234, 3, "0.00123"],
    [-12.345, 3, "−12.3"],
    [123456, 6, "123\u202f456"],
    [1.5e9, 3, "1.50·10⁹"],
    [2e-6, 2, "2.0·10⁻⁶"],
    [0, 3, "0"],
    [NaN, 3, "–"],
    [Infinity, 3, "∞"],
  ])("%d to %d digits is %s", (value, digits, text) => {
    expect(formatNumber(value, digits)).toBe(text);
  });
  it("tell shares from none and from all", () => {
    expect([0, 1e-7, 0.00021, 0.0084, 0.5, 0.99991, 0.9999999, 1].map((share) => formatShare(share))).toEqual(
      ["0 %", "< 0.001 %", "0.021 %", "0.84 %", "50 %", "99.991 %", "> 99.999 %", "100 %"],
    );
  });
  it("set exposures as people say them", () => {
    expect([10, 300, 3600, 7500].map(formatDuration)).toEqual(["10 s", "5 min", "1 h", "2 h 05 min"]);
  });
  it("set ticks without rounding", () => {
    expect([0.1 + 0.2, -1500, 60000].map(tickText)).toEqual(["0.3", "−1500", "60\u202f000"]);
  });
});

describe("escapeText", () => {
  it("leaves nothing that a page could run", () => {
    expect(escapeText(`<img src="x" onerror='a&b'>\u0000`)).toBe(
      "&#60;img src=&#34;x&#34; onerror=&#39;a&#38;b&#39;&#62;\ufffd",
    );
  });
});
