/**
 * What holds of every sheet, whatever it shows. Covers contact_sheet.ts, curve_plot.ts, histogram_plot.ts,
 * image_view.ts, noise_by_scale.ts, radial_profile.ts, star_overlay.ts, surface_view.ts, thumbnail.ts, layout.ts,
 * plot.ts and view_options.ts.
 */
import { describe, expect, it } from "vitest";
import { decodePng } from "../../lib/doors/io.ts";
import { beforeAfterSheet, encodeSheet, type Sheet, thumbnail } from "../../lib/doors/view.ts";
import {
  contactSheet,
  curvePlot,
  histogramPlot,
  imageView,
  nightTimeline,
  noiseByScale,
  radialProfile,
  shapeMap,
  starOverlay,
  surfaceView,
  table,
} from "../../lib/mod.ts";
import { finished, frame, linear, night, star } from "../support/view_scenes.ts";

const sheets: Readonly<Record<string, Sheet>> = {
  imageView: imageView(linear, { title: "One sub" }),
  histogramPlot: histogramPlot(linear, { mark: { black: 990 } }),
  curvePlot: curvePlot(linear, (level) => level / 5000),
  beforeAfter: beforeAfterSheet(linear, linear, { findings: { facts: [], doubts: ["nothing <moved>"] } }),
  beforeAfterStretch: beforeAfterSheet(linear, finished, { theme: "dark" }),
  starOverlay: starOverlay(linear, [star]),
  shapeMap: shapeMap(Array.from({ length: 40 }, (_, i) => ({ ...star, x: i * 3, y: i * 2 })), linear),
  radialProfile: radialProfile(linear, star),
  noiseByScale: noiseByScale(
    [{ name: "before", scales: [{ scalePixels: 1, noise: 8 }, { scalePixels: 2, noise: 4 }] }],
    "ADU",
  ),
  surfaceView: surfaceView(linear, { samples: [{ x: 4, y: 5, used: true }] }),
  nightTimeline: nightTimeline(night),
  contactSheet: contactSheet([frame(0, { thumbnail: thumbnail(linear, { width: 60 }) }), frame(1)], { columns: 2 }),
  table: table([{ file: "a<b", FWHM: 2.5 }], { title: "Frames" }),
};

describe.each(Object.keys(sheets))("%s", (name) => {
  const sheet = sheets[name];
  it("is drawn whole: no number is missing, nothing is fetched, words are there", () => {
    expect(sheet.svg).not.toMatch(/NaN|Infinity|undefined/);
    expect(sheet.svg).not.toMatch(/<script|href="(?!data:)/);
    expect(sheet.alternativeText.length).toBeGreaterThan(20);
    expect(sheet.svg).toMatch(/^<svg xmlns="http:\/\/www.w3.org\/2000\/svg"/);
  });
  it("becomes a picture of its size with its words inside", () => {
    const found = decodePng(encodeSheet(sheet).bytes);
    expect([found.width, found.height]).toEqual([sheet.width, sheet.height]);
    expect(found.text.Description).toBe(sheet.alternativeText);
    expect(new Set(found.samples).size).toBeGreaterThan(20); // ink and pictures, not a blank page
  });
});

describe("misuse", () => {
  it("is named", () => {
    expect(() => imageView(linear, { region: { x: 100, y: 0, width: 40, height: 10 } })).toThrow(
      "imageView: region must lie within 120 × 80 pixels, but got x 100, y 0, 40 × 10",
    );
    expect(() => imageView(linear, { channel: "Ha" })).toThrow('image must have channel "Ha", but has R, G, B');
    expect(() => table([{ a: 1 }], { columns: ["b"] })).toThrow('column "b" must be a key of a row');
    expect(() => noiseByScale([], "ADU")).toThrow("series must be 1 … 4 lines, but got 0");
    expect(() => surfaceView(linear, { bands: 1 })).toThrow("bands must be ≥ 2, but got 1");
    expect(() => starOverlay(linear, [], { maximumStars: 0 })).toThrow("maximumStars must be > 0, but got 0");
    expect(() => thumbnail(linear, { width: 0 })).toThrow("width must be ≥ 1, but got 0");
    expect(() => contactSheet([], { columns: 0 })).toThrow("columns and maximumFrames must be ≥ 1");
    expect(() => shapeMap([], { width: 0, height: 4 })).toThrow("size must be above 0");
  });
});
