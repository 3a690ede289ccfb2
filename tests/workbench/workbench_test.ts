/**
 * What the workbench hands to its page, and what the page's parts do with it, without a browser. Covers sentences.ts,
 * sentence.ts, ways_out.ts, packed_picture.ts, source.ts, engine.ts, workbench/draw.ts, page_text.ts, ruler.ts,
 * place.ts, curve_table.ts.
 */
import { describe, expect, it } from "vitest";
import * as faintlight from "faintlight";
import { imageDigest, parseRecipe, runRecipe, workbench } from "faintlight";
import { constantImage, type Image } from "../../lib/core/image.ts";
import { asinhCurve, curveOf, type CurveParameters } from "../../lib/tone/curve.ts";
import {
  drawnPixels,
  pictureLevels,
  stripAxis,
  stripCounts,
  stripLevel,
  stripPlace,
} from "../../lib/workbench/draw.ts";
import { framed } from "../../lib/view/show.ts";
import { Engine } from "../../lib/workbench/engine.ts";
import { wholePicture } from "../../lib/workbench/packed_picture.ts";
import { curveTable, tableOctaves, tableSegments } from "../../lib/workbench/page/curve_table.ts";
import { centred, fitting, zoomedAt } from "../../lib/workbench/page/place.ts";
import { rulerStep, rulerValue } from "../../lib/workbench/page/ruler.ts";
import { unpacked } from "../../lib/workbench/page/source.ts";
import {
  callsOf,
  initialState,
  type NumberPart,
  optionAt,
  withOption,
  type WorkbenchState,
} from "../../lib/workbench/sentence.ts";
import { cellText, recipeFrom } from "../../lib/workbench/ways_out.ts";
import type { WorkbenchContent } from "../../lib/workbench/workbench_content.ts";
import { workbenchScene } from "../support/workbench_scene.ts";

const scene = workbenchScene(120, 90, ["R", "G", "B"]);
const contentOf = (html: string): WorkbenchContent =>
  JSON.parse(/<script id="content"[^>]*>(.*?)<\/script>/s.exec(html)?.[1] ?? "");
const content = contentOf(workbench(scene, { name: "stack", pixels: "all" }).html);
const { sentences } = content;
/** All steps that a small field can bear. */
const busy: WorkbenchState = initialState(sentences).map((each, at) => ({
  ...each,
  on: !["deconvolve", "reduceStars"].includes(sentences[at].step),
}));

describe("what leaves the workbench", () => {
  const recipe = parseRecipe(JSON.stringify(recipeFrom(sentences, busy, "colour")), "workbench");
  const wanted = runRecipe(recipe, { colour: scene }) as Image;

  it("is a recipe that the library takes", () => {
    expect(recipe.steps.length).toBe(8);
    expect(wanted.unit).toBe("display");
  });
  it("is a cell whose calls make the same picture by the same name", () => {
    const text = cellText(sentences, busy, "stack");
    const body = text.replace(/import (\{.*?\}) from "faintlight";/, "const $1 = faintlight;");
    const made: Image = new Function("faintlight", "stack", body.replace(/\n(\w+);\n$/, "\nreturn $1;"))(
      faintlight,
      scene,
    );
    expect(made.history.head).toBe(wanted.history.head);
    expect(imageDigest(made)).toBe(imageDigest(wanted));
    // what the library uses anyway is not written
    expect(text).toContain("reduceNoise(neutral);");
  });
  it("is what the page's engine makes of the samples that travelled", async () => {
    const [picture] = content.pictures;
    const engine = new Engine(picture, await unpacked(picture));
    const made = engine.run(callsOf(sentences, busy, () => true));
    expect(made.history.head).toBe(wanted.history.head);
    expect(imageDigest(made)).toBe(imageDigest(wanted));
    expect(engine.run(callsOf(sentences, busy, () => true))).toBe(made);
  });
});

describe("the page", () => {
  it("stays below a megabyte in a notebook, frame included, for a large image of one plane or three", () => {
    for (const channels of [["L"], ["R", "G", "B"]]) {
      const size = framed(workbench(workbenchScene(700, 500, channels))).length;
      expect(size).toBeLessThan(1_000_000);
      expect(size).toBeGreaterThan(300_000);
    }
  });
  it("names nothing outside itself", () => {
    expect(workbench(scene).html.replaceAll(/<script id="(engine|kernels|page)".*?<\/script>/gs, "")).not.toMatch(
      /https?:|src=|@import/,
    );
  });
  it("brings a part in real pixels, each within half a step of a quarter of the noise", async () => {
    const large = workbenchScene(900, 600, ["L"]);
    const { pictures, axis } = contentOf(workbench(large).html);
    expect(pictures.map(({ realPixels }) => realPixels)).toEqual([false, true]);
    const part = pictures[1];
    const [plane] = await unpacked(part);
    const errors = plane.map((value, i) => {
      const [x, y] = [part.corner[0] + i % part.width, part.corner[1] + Math.floor(i / part.width)];
      return Math.abs(value - large.planes[0].data[y * large.width + x]);
    });
    expect(errors.reduce((a, b) => Math.max(a, b))).toBeLessThanOrEqual(axis.noise / 8);
    // the glow in the middle is what the part is about
    expect(part.corner[0]).toBeLessThan(450);
    expect(part.corner[0] + part.width).toBeGreaterThan(450);
  });
  it("refuses a finished picture, two planes, an unknown word", () => {
    expect(() => workbench(constantImage(4, 4, 0.5, { unit: "display" }))).toThrow("workbench: image must be linear");
    expect(() => workbench(constantImage(4, 4, 5, { channels: ["Ha", "OIII"] }))).toThrow("1 or 3 planes");
    expect(() => workbench(scene, { pixels: "some" as "few" })).toThrow('pixels must be "few" or "all"');
  });
});

describe("samples on the way", () => {
  it("come back bit for bit, missing ones as well", async () => {
    const image = workbenchScene(31, 17, ["L"]);
    image.planes[0].data[5] = NaN;
    const [plane] = await unpacked(wholePicture(image));
    expect(new Uint8Array(plane.buffer)).toEqual(new Uint8Array(image.planes[0].data.slice().buffer));
  });
});

describe("a sentence", () => {
  it("changes one option and leaves the others", () => {
    const options = { curve: { family: "spline", points: [[0, 0], [0.5, 0.6]] }, on: "channels" };
    const changed = withOption(options, ["curve", "points", 1, 1], 0.7);
    expect(optionAt(changed, ["curve", "points", 1])).toEqual([0.5, 0.7]);
    expect(optionAt(changed, ["on"])).toBe("channels");
    expect(options.curve.points[1][1]).toBe(0.6);
  });
  it("has a ruler that goes to its value and back", () => {
    const numbers = sentences.flatMap(({ parts }) => parts).filter((part): part is NumberPart =>
      typeof part === "object" && part.kind === "number" && !part.whole
    );
    expect(numbers.length).toBeGreaterThan(10);
    for (const part of numbers) {
      for (const step of [0, 250, 999]) {
        expect(rulerStep(part, rulerValue(part, step, content.axis), content.axis)).toBe(step);
      }
    }
  });
});

describe("a curve's table", () => {
  const families: readonly CurveParameters[] = [
    asinhCurve(513),
    { family: "log", bend: 1000 },
    { family: "sigmoid", contrast: 12, centre: 0.2 },
    { family: "spline", points: [[0, 0], [0.2, 0.5], [1, 1]] },
  ];
  it.each(families)("of the family $family lies within a fifth of a display step of the curve", (parameters) => {
    const table = curveTable(parameters);
    const { at } = curveOf(parameters);
    let worst = 0;
    for (let k = 1; k < 5000; k++) {
      const t = k / 5000;
      const row = Math.floor(Math.log2(t)) + tableOctaves;
      const place = (t / 2 ** (row - tableOctaves) - 1) * tableSegments;
      const from = row * tableSegments + Math.floor(place);
      const value = table[2 * from] + (place % 1) * (table[2 * from + 2] - table[2 * from]);
      worst = Math.max(worst, Math.abs(value - at(t)));
    }
    expect(255 * worst).toBeLessThan(0.2);
  });
});

describe("the view", () => {
  it("shows the whole in the middle, and zooms about the pointer", () => {
    const view = { width: 400, height: 200 };
    expect(fitting({ width: 200, height: 200 }, view)).toEqual({ zoom: 1, left: -100, top: 0 });
    const place = centred({ x: 50, y: 60 }, 2, view);
    const closer = zoomedAt(place, 8, 30, 40);
    expect(closer.left + 30 / 8).toBeCloseTo(place.left + 30 / 2);
    expect(closer.top + 40 / 8).toBeCloseTo(place.top + 40 / 2);
  });
  it("draws codes of 8 bits, nothing where there are no data, and area means of it", () => {
    const image = constantImage(900, 2, 0.5, { unit: "display" });
    image.planes[0].data[1] = NaN;
    expect([...drawnPixels(image).subarray(0, 8)]).toEqual([128, 128, 128, 255, 0, 0, 0, 0]);
    const [whole, half] = pictureLevels(image);
    expect([whole.width, half.width, half.height]).toEqual([900, 450, 1]);
    expect([...half.samples.subarray(0, 4)]).toEqual([0.5, 0.5, 0.5, 1]);
  });
  it("counts every sample along the strip", () => {
    const axis = stripAxis(scene, 900, 9);
    expect(stripPlace(stripLevel(0.3, axis), axis)).toBeCloseTo(0.3);
    const counts = stripCounts(scene.planes.map(({ data }) => data), axis);
    expect(counts.map((list) => list.reduce((a, b) => a + b))).toEqual([10800, 10800, 10800]);
  });
});
