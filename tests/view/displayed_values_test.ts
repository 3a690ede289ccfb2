/** Covers view/display.ts, effect_view.ts, star_table.ts and image_with_histogram.ts. */
import { afterEach, describe, expect, it } from "vitest";
import {
  compareImages,
  constantImage,
  detectStars,
  type Displayed,
  fitSurface,
  measureEffect,
  type MediaBundle,
  sampleBackground,
  show,
  type Showable,
} from "../../lib/mod.ts";
import { createImage } from "../../lib/doors/extend.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { displayTo } from "../../lib/doors/view.ts";

/** What a cell puts on the page whose last line is a value: what it sends, and its result. */
function lastLine(value: object): readonly MediaBundle[] {
  const sent: MediaBundle[] = [];
  displayTo(({ data }) => sent.push(data));
  const bundle = (value as Displayed)[Symbol.for("Jupyter.display") as keyof Displayed]();
  return [...sent, bundle];
}

/** What `show` puts on the page. */
function shown(...values: readonly Showable[]): readonly MediaBundle[] {
  const sent: MediaBundle[] = [];
  displayTo(({ data }) => sent.push(data));
  show(...values);
  return sent;
}

/** What goes to the console. */
function printed(work: () => void): readonly unknown[] {
  const lines: unknown[] = [];
  const { log } = console;
  console.log = (line: unknown) => void lines.push(line);
  try {
    work();
  } finally {
    console.log = log;
  }
  return lines;
}

const random = randomStream("displayed");
const data = Float32Array.from({ length: 96 * 80 }, () => 100 + 5 * random.gaussian());
const image = createImage({ width: 96, height: 80, unit: "adu", planes: [{ channel: "Ha", data }] });
const brighter = createImage({
  width: 96,
  height: 80,
  unit: "adu",
  planes: [{ channel: "Ha", data: data.map((v) => v + 9) }],
});
const values = {
  image,
  picture: constantImage(8, 6, 0.2, { unit: "display" }),
  stars: detectStars(image),
  effect: measureEffect(image, brighter),
  comparison: compareImages(image, brighter),
  surface: fitSurface(sampleBackground(image), { model: "polynomial", maximumDegree: 1 }),
};

afterEach(() => displayTo(null));

describe.each(Object.keys(values) as (keyof typeof values)[])("%s", (name) => {
  it("shows itself as the last line of a cell as it does in the middle of one", () => {
    const outputs = lastLine(values[name]);
    expect(outputs).toEqual(shown(values[name]));
    expect(Object.keys(outputs[0])[0]).toMatch(/^image\/(png|jpeg)$/);
  });

  it("prints its words outside a notebook, and nothing else", () => {
    const expected = [shown(values[name])[0]["text/plain"]];
    displayTo(null);
    expect(printed(() => show(values[name]))).toEqual(expected);
  });
});

describe("show", () => {
  it("says of an image what it is, how it is drawn and what lies at its ends", () => {
    const words = shown(image)[0]["text/plain"];
    expect(words).toMatch(/^Image: Hα; 96 × 80 pixels.*brightened for the screen.*range drawn/);
  });

  it("says how many stars there are, what a step did, draws a surface, and wipes between images", () => {
    expect(shown(values.stars)[0]["text/plain"]).toMatch(/^\d+ stars, Hα, typical FWHM/);
    expect(shown(values.effect)[0]["text/plain"]).toMatch(/^What it did: noise at 1 px/);
    expect(shown(values.surface)[0]["text/plain"]).toMatch(/^Background surface and its samples/);
    expect(shown(values.comparison).map((each) => Object.keys(each)[0])[1]).toBe("text/html");
  });

  it("refuses what it cannot show, by name", () => {
    expect(() => show({ ...values.effect })).toThrow("show: value must be a sheet, a picture");
  });
});
