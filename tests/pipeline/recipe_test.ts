/** Covers schema_faults.ts, default_recipe.ts, step.ts, image_digest.ts and csv.ts. */
import { describe, expect, it } from "vitest";
import { createImage, replayHistory, stepNames } from "../../lib/doors/extend.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { constantImage, defaultRecipe, type Image, imageDigest, parseRecipe, runRecipe } from "../../lib/mod.ts";
import { csvText, parseCsv } from "../../lib/pipeline/csv.ts";
import { findStep } from "../../lib/pipeline/step.ts";

const region = { x: 4, y: 4, width: 150, height: 120 };

/** A field of two lines with stars of both, so that every step of the default recipe has something to do. */
function stack(channel: string, seed: number): Image {
  const width = 160;
  const height = 130;
  const random = randomStream(seed);
  const data = new Float32Array(width * height);
  const stars = Array.from(
    { length: 40 },
    () => [random.uniform() * width, random.uniform() * height, 300 + 4000 * random.uniform() ** 4],
  );
  for (let y = 0, at = 0; y < height; y++) {
    for (let x = 0; x < width; x++, at++) {
      const cloud = 120 * Math.exp(-((x - 80 + 10 * seed) ** 2 + (y - 60) ** 2) / 900);
      data[at] = 200 + 0.1 * x + cloud + 4 * random.gaussian();
      for (const [sx, sy, light] of stars) {
        const r2 = (x - sx) ** 2 + (y - sy) ** 2;
        if (r2 < 100) data[at] += light * (1 + r2 / 4) ** -3;
      }
    }
  }
  return createImage({ width, height, unit: "adu", planes: [{ channel, data }] }, {
    step: "stack",
    options: { channel },
  });
}

describe("parseRecipe", () => {
  const node = { id: "a", step: "cropImage", inputs: ["stack.L"] };
  it.each([
    ["no JSON", "{", "must be JSON"],
    ["a missing part", JSON.stringify({ steps: [], result: "a" }), "name"],
    [
      "an unknown step",
      JSON.stringify({ name: "x", steps: [{ ...node, step: "enlarge" }], result: "a" }),
      'got "enlarge"',
    ],
    [
      "an input that is not there",
      JSON.stringify({ name: "x", steps: [{ ...node, inputs: ["b"] }], result: "a" }),
      'takes "b"',
    ],
    ["two nodes of one name", JSON.stringify({ name: "x", steps: [node, node], result: "a" }), "two nodes"],
    ["a result that is no node", JSON.stringify({ name: "x", steps: [node], result: "b" }), 'result "b"'],
  ])("refuses %s", (_, text, message) => {
    expect(() => parseRecipe(text, "file.json")).toThrow(message);
  });

  it("lists every fault at once, each with its place and what helps", () => {
    const steps = [
      { ...node, options: { widht: 3, x: true } },
      { id: "b", step: "saturate", inputs: ["q"], options: { factor: "1.2" } },
    ];
    expect(() => parseRecipe(JSON.stringify({ name: "x", steps, result: "z" }), "file.json")).toThrow(
      [
        'steps.0: cropImage: unknown option "widht"; known are x, y, width, height',
        "steps.0: cropImage: x must be a number, but got a boolean",
        'steps.1: node "b" takes "q", but no earlier node has that name',
        'steps.1: saturate: factor must be a number, but got the text "1.2"',
        'result "z" is no node; known are a, b',
      ].map((fault) => `file.json: ${fault}`).join("\n"),
    );
    expect(() => parseRecipe(JSON.stringify({ steps: [{ ...node, id: "../a", run: 1 }], result: 2 }), "file.json"))
      .toThrow(
        [
          "name must be there, but is missing; write it",
          'steps.0.id must be a letter, then letters, digits, - or _, but is "../a"; correct it',
          "steps.0.run is no known name; take it out",
          "result must be string, but is 2; correct it",
        ].map((fault) => `file.json: ${fault}`).join("\n"),
      );
  });

  it("knows the options of every step", () => {
    for (const name of stepNames) expect(typeof findStep(name).defaults, name).toBe("object");
  });
});

describe("the default recipe", () => {
  it.each([
    { channels: ["Ha", "OIII"], name: "HOO" },
    { channels: ["OIII", "Ha", "SII"], name: "SHO" },
    { channels: ["colour"], name: "colour" },
    { channels: ["B", "G", "R"], name: "colour" },
    { channels: ["Ha"], name: "Ha alone" },
  ])("of $channels is $name and survives JSON", ({ channels, name }) => {
    const recipe = defaultRecipe(channels, region);
    expect(recipe.name).toContain(name);
    expect(parseRecipe(JSON.stringify(recipe), "default")).toEqual(recipe);
  });

  it("makes a picture of two lines, and its recorded history makes the same bytes again", () => {
    const stacks = { Ha: stack("Ha", 1), OIII: stack("OIII", 2) };
    const picture = runRecipe(defaultRecipe(["Ha", "OIII"], region), stacks) as Image;
    expect(picture.unit).toBe("display");
    expect(picture.planes.map((plane) => plane.channel)).toEqual(["R", "G", "B"]);
    expect([picture.width, picture.height]).toEqual([region.width, region.height]);
    const sources = new Map(Object.values(stacks).map((image) => [image.history.head, image]));
    const again = replayHistory(picture.history, sources) as Image;
    expect(imageDigest(again)).toBe(imageDigest(picture));
  });
});

describe("runRecipe", () => {
  it("names the stack that is missing", () => {
    expect(() => runRecipe(defaultRecipe(["Ha"], region), { L: constantImage(160, 130, 1) }))
      .toThrow('needs a stack "Ha", but there are L');
  });
});

describe("steps", () => {
  it("refuse inputs that are no images, each by its name", () => {
    for (const name of stepNames) expect(() => findStep(name).run([], {})).toThrow(name);
  });
});

describe("tables", () => {
  it("hold no cell that a spreadsheet takes for a formula, and give it back as it was", () => {
    // what starts a formula: OWASP, "CSV Injection"
    const rows = ["=1+1", "+a", "-b", "@c", "\td"].map((file) => ({ file, value: -1 }));
    const text = csvText(["file", "value"], rows);
    expect(text.split("\n").slice(1, 6)).toEqual(["'=1+1,-1", "'+a,-1", "'-b,-1", "'@c,-1", "'\td,-1"]);
    expect(parseCsv(text)).toEqual(rows.map(({ file }) => ({ file, value: "-1" })));
  });

  it("come back as they were, commas, quotes and line feeds included", () => {
    const rows = [{ file: 'a,"b"\nc', value: 0.1234567891 }, { file: "plain", value: null }];
    expect(parseCsv(csvText(["file", "value"], rows))).toEqual([
      { file: 'a,"b"\nc', value: "0.1234568" },
      { file: "plain", value: "" },
    ]);
  });
});
