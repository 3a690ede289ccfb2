/** Covers report_style.ts. */
import { parseHTML } from "linkedom";
import { describe, expect, it } from "vitest";
import { reportHtml, thumbnail } from "../../lib/doors/view.ts";
import { constantImage, imageView, type NightReport } from "../../lib/mod.ts";

const picture = thumbnail(constantImage(60, 40, 0.4, { unit: "display" }), { width: 60 });
const report: NightReport = {
  object: "Lantern <Nebula>",
  night: "night of 2026-10-03",
  summary: ["1 of 2 lights was used."],
  rigs: [{ name: "Long", facts: [["focal length", "800 mm"]] }],
  frames: [
    { verdict: "keep", cause: "clear sky", remedy: "" },
    { verdict: "reject", cause: "cloud", remedy: "start later" },
  ].map((each, at) => ({
    file: `l/"${at}".fits`,
    rig: "Long",
    filter: "Ha",
    exposureSeconds: 300,
    dateUtc: `2026-10-03T2${at}:00:00`,
    stars: 400,
    fwhmPixels: 2.51,
    fwhmArcsec: null,
    eccentricity: 0.31,
    elongationDegrees: 10,
    backgroundAdu: 1001,
    noiseAdu: 14,
    transparency: 1,
    weight: at === 0 ? 1 : 0,
    evidence: "transparency 0.31",
    thumbnail: picture,
    ...each,
  })),
  calibration: [{
    file: "d.fits",
    kind: "dark",
    filter: "",
    exposureSeconds: 300,
    temperatureC: -10,
    used: false,
    reason: "too warm",
  }],
  calibrationNotes: [],
  stacks: [{
    name: "Ha",
    frames: 1,
    totalExposureSeconds: 300,
    reference: "l/0.fits",
    rejectedDimmer: 0,
    rejectedBrighter: 0.002,
    frameNoise: 14,
    expectedNoise: 2,
    measuredNoise: 3,
    unit: "ADU",
    fwhmPixels: 2.6,
    sheets: [imageView(constantImage(30, 20, 7), { width: 300 })],
    notes: ["a doubt"],
  }],
  steps: [{
    step: "extract-gradient",
    title: "Background gradient extraction",
    channel: "Ha",
    options: [["degree", "2"]],
    sheet: picture,
    ledger: [{ quantity: "noise", before: "14 ADU", after: "14 ADU", change: "0" }],
    doubts: ["nebula light fell by 3 %"],
  }],
  picture,
  files: [["picture.png", "the finished picture"]],
  madeWith: "Faintlight",
};

describe("reportHtml", () => {
  const html = reportHtml(report);
  const { document } = parseHTML(html);
  const textOf = (selector: string) => document.querySelector(selector)?.textContent ?? "";
  it("tells the night, calibration, stacks, steps and files in sections that the links reach", () => {
    const links = [...document.querySelectorAll("nav a")].map((link) => link.getAttribute("href") ?? "");
    expect(links).toEqual(["#findings", "#night", "#calibration", "#stacks", "#steps", "#files"]);
    for (const link of links) expect(document.querySelectorAll(link).length).toBe(1);
    expect(textOf("#night")).toContain("start later");
    expect(textOf("#calibration")).toContain("too warm");
    expect(textOf("#steps")).toContain("nebula light fell by 3 %");
  });
  it("judges a stack's noise against what its frames promise", () => {
    expect(textOf("#stacks")).toContain("1.50 times that: clearly noisier than its frames promise");
  });
  it("stands alone: no script, nothing fetched, every picture has words, text from files is only text", () => {
    expect(document.querySelectorAll("script,link,iframe").length).toBe(0);
    for (const image of document.querySelectorAll("img")) {
      expect(image.getAttribute("src")).toMatch(/^data:image\//);
      expect(image.hasAttribute("alt")).toBe(true);
    }
    expect(html).not.toMatch(/https?:\/\/(?!www\.w3\.org)/);
    expect(textOf("h1")).toBe("Lantern <Nebula>");
    expect(html).not.toContain("<Nebula>");
  });
  it("leaves out what there is not", () => {
    const empty = reportHtml({
      ...report,
      frames: [],
      rigs: [],
      calibration: [],
      stacks: [],
      steps: [],
      files: [],
      picture: null,
      summary: [],
    });
    expect(parseHTML(empty).document.querySelectorAll("main section").length).toBe(0);
  });
});
