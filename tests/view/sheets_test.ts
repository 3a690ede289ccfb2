import { describe, expect, it } from "vitest";
import { createImage, derive } from "../../lib/doors/extend.ts";
import { decodePng } from "../../lib/doors/io.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { beforeAfterSheet, captionPicture, encodeSheet, type Sheet, thumbnail } from "../../lib/doors/view.ts";
import {
  constantImage,
  contactSheet,
  curvePlot,
  histogramPlot,
  type Image,
  imageView,
  nightTimeline,
  noiseByScale,
  radialProfile,
  type ReportFrame,
  shapeMap,
  type Star,
  starOverlay,
  surfaceView,
  table,
} from "../../lib/mod.ts";
import { channelHistograms } from "../../lib/view/histogram_drawing.ts";
import { chooseScaleBar } from "../../lib/view/caption_picture.ts";

const random = randomStream("sheets");
const width = 120;
const height = 80;
const linear: Image = createImage({
  width,
  height,
  unit: "adu",
  planes: ["R", "G", "B"].map((channel) => ({
    channel,
    data: Float32Array.from(
      { length: width * height },
      (_, i) =>
        1000 + 8 * random.gaussian() +
        4000 * Math.exp(-((i % width - 60) ** 2 + (Math.floor(i / width) - 40) ** 2) / 8),
    ),
  })),
});
const finished = derive(linear, {
  unit: "display",
  planes: linear.planes.map((plane) => ({
    ...plane,
    data: plane.data.map((v) => Math.max(0, Math.min(1, (v - 990) / 500))),
  })),
}, { step: "stretched", options: {} });
const star: Star = {
  x: 60,
  y: 40,
  flux: 1e5,
  peak: 4000,
  snr: 90,
  fwhmPixels: 4.71,
  eccentricity: 0.4,
  elongationDegrees: 30,
  shape: [0.04, 0.07],
  halfFluxRadiusPixels: 2.4,
  background: 1000,
  saturated: false,
};
const frame = (index: number, change: Partial<ReportFrame> = {}): ReportFrame => ({
  file: `lights/a&b_${index}.fits`,
  rig: "Long",
  filter: "Ha",
  exposureSeconds: 300,
  dateUtc: `2026-10-03T21:${String(index).padStart(2, "0")}:00`,
  stars: 400,
  fwhmPixels: 2.5,
  fwhmArcsec: 2.6,
  eccentricity: 0.3,
  elongationDegrees: 12,
  backgroundAdu: 1000,
  noiseAdu: 14,
  transparency: 1,
  weight: 1,
  verdict: "keep",
  cause: "clear sky",
  evidence: "",
  remedy: "",
  thumbnail: null,
  ...change,
});
const night = [
  ...Array.from({ length: 6 }, (_, i) => frame(i)),
  ...Array.from({ length: 3 }, (_, i) => frame(6 + i, { verdict: "reject", cause: "cloud", transparency: 0.3 })),
  frame(9, { fwhmPixels: null, fwhmArcsec: null, stars: null, verdict: "unreadable", cause: "corrupt file" }),
];

const sheets: Readonly<Record<string, Sheet>> = {
  imageView: imageView(linear, { title: "One sub" }),
  histogramPlot: histogramPlot(linear, { mark: { black: 990 } }),
  curvePlot: curvePlot(linear, (level) => level / 5000),
  beforeAfter: beforeAfterSheet(linear, linear, { doubts: ["nothing <moved>"] }),
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

describe("encodeSheet", () => {
  it("gives the same bytes again", () => {
    expect(encodeSheet(imageView(linear, { title: "One sub" })).bytes).toEqual(encodeSheet(sheets.imageView).bytes);
  });
  it("zooms and refuses what no viewer opens", () => {
    expect(encodeSheet(sheets.table, { zoom: 2 }).width).toBe(2 * sheets.table.width);
    expect(() => encodeSheet(sheets.table, { zoom: 0 })).toThrow("encodeSheet: zoom must be above 0");
    expect(() => encodeSheet(sheets.table, { zoom: 100 })).toThrow("at most 16384 pixels a side");
  });
});

describe("histograms", () => {
  it("count every sample once and tell what is clipped", () => {
    const image = createImage({
      width: 10,
      height: 1,
      unit: "display",
      planes: [{ channel: "L", data: Float32Array.of(0, 0, -0.2, 0.1, 0.5, 0.5, 0.9, 1, 1.4, NaN) }],
    });
    const [found] = channelHistograms(image, [0, 1], 4, "automatic");
    expect(found.total).toBe(9);
    expect(found.lowShare).toBeCloseTo(3 / 9, 12);
    expect(found.highShare).toBeCloseTo(2 / 9, 12);
    expect(found.counts.reduce((sum, count) => sum + count, 0) + found.below + found.above).toBe(9);
  });
});

describe("beforeAfterSheet", () => {
  it("says that nothing changed when nothing did, and by how much otherwise", () => {
    expect(sheets.beforeAfter.svg).toContain("no pixel changed");
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

describe("nightTimeline", () => {
  it("lists spells of trouble with their cause, frames and time", () => {
    expect(sheets.nightTimeline.alternativeText).toContain("10 frames: 6 keep, 3 reject, 1 unreadable");
    expect(sheets.nightTimeline.alternativeText).toContain("1  cloud (reject), 3 frames, 21:06–21:08");
    expect(sheets.nightTimeline.alternativeText).toContain("2  corrupt file (unreadable), 1 frame, 21:09");
  });
  it("keeps the order of files when dates are missing", () => {
    expect(nightTimeline([frame(1, { dateUtc: null }), frame(2)]).alternativeText).toContain("2 frames: 2 keep");
  });
});

describe("shapeMap", () => {
  it("gives back the eccentricity and FWHM of stars that are all alike", () => {
    // e² = 2 s / (1 + s) with s = (a² − b²)/(a² + b²): s = 0.5 is e = 0.816
    const stars = Array.from(
      { length: 64 },
      (_, i) => ({ ...star, x: i % 8 * 15, y: Math.floor(i / 8) * 10, shape: [0.5, 0] as const }),
    );
    expect(shapeMap(stars, linear).alternativeText).toContain(
      "FWHM 4.71 to 4.71 px, median 4.71 px; median eccentricity of the cells 0.82",
    );
  });
});

describe("captionPicture", () => {
  it("draws a scale bar of the length it names", () => {
    const image = constantImage(1200, 300, 0, { unit: "display", channels: ["R", "G", "B"] });
    const made = captionPicture(image, { object: "Lantern Nebula", arcsecPerPixel: 2 }, { format: "png" });
    // 150 pixels; 10 arcmin would be 300, above 0.16 × 1200
    expect(made.alternativeText).toContain("scale bar 5 arcmin");
    const { samples } = decodePng(made.bytes);
    let longest = 0;
    for (let y = 300; y < made.height; y++) {
      for (let x = 0, run = 0; x < 1200; x++) {
        run = samples[3 * (y * 1200 + x)] > 90 ? run + 1 : 0;
        longest = Math.max(longest, run);
      }
    }
    expect(Math.abs(longest - 150)).toBeLessThanOrEqual(2); // anti-aliased ends
  });
  it("chooses the longest length that fits, from arcseconds to degrees", () => {
    expect(chooseScaleBar(1, 100)?.name).toBe("1 arcmin");
    expect(chooseScaleBar(0.05, 250)?.name).toBe("10 arcsec");
    expect(chooseScaleBar(30, 250)?.name).toBe("2°");
    expect(chooseScaleBar(0.5, 1)).toBeNull();
  });
  it("keeps the picture's pixels", () => {
    const made = decodePng(captionPicture(finished, {}, { format: "png" }).bytes);
    const wrong = Array.from(finished.planes[1].data, (v, i) => Math.abs(made.samples[3 * i + 1] - Math.round(255 * v)))
      .filter((difference) => difference > 0);
    expect(wrong).toEqual([]);
  });
  it("names what is wrong", () => {
    expect(() => captionPicture(linear)).toThrow("captionPicture: image must be a stretched picture");
    expect(() => captionPicture(finished, {}, { longerSide: 20 })).toThrow(
      "longerSide must be ≥ 200 pixels, but got 20",
    );
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
