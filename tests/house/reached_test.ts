/** What the library can, the night does: every stage behind the main door is reached by a night, or has a reason. */
import { existsSync, readFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";
import { describe, expect, it } from "vitest";
import { defaultRecipe } from "../../lib/pipeline/default_recipe.ts";
import { stepNames } from "../../lib/pipeline/step.ts";

const lib = fileURLToPath(new URL("../../lib/", import.meta.url));
const region = { x: 0, y: 0, width: 100, height: 80 };

/** Sets of filters that between them ask for every kind of default recipe. */
const filterSets: readonly (readonly string[])[] = [
  ["Ha"],
  ["Ha", "OIII"],
  ["Ha", "OIII", "SII"],
  ["R", "G", "B", "Ha"],
  ["L", "R", "G", "B"],
  ["R", "G", "B", "Ha", "OIII"],
  ["V", "B"],
  ["colour"],
];
const reachedSteps = new Set(
  [
    ...filterSets.map((set) => defaultRecipe(set, region)),
    defaultRecipe(["colour"], region, { colourFilter: "HaOIII" }),
  ]
    .flatMap(({ steps }) => steps.map(({ step }) => step)),
);

/** Files that a file reaches by imports. */
function reachedFrom(start: string): Set<string> {
  const seen = new Set<string>();
  const queue = [start];
  for (let file = queue.pop(); file !== undefined; file = queue.pop()) {
    if (seen.has(file)) continue;
    seen.add(file);
    for (const [, path] of readFileSync(file, "utf8").matchAll(/from "(\.{1,2}\/[^"]+)"/g)) {
      queue.push(join(dirname(file), path));
    }
  }
  return seen;
}

const taste = "changes the picture by taste; the default keeps what was measured";
const arithmetic = "a person's own sum of images";
const tiles = "for one image; the night does the same tile by tile, from its files";
const otherCurve = "another curve in the place of the default stretch";
/** Stages that are the person's choice, and why. */
const choices: Readonly<Record<string, string>> = {
  addImages: arithmetic,
  subtractImages: arithmetic,
  multiplyImages: arithmetic,
  divideImages: arithmetic,
  mixImages: arithmetic,
  selectChannels: "a person's own order of channels",
  renameChannels: "a person's own names of channels",
  applyCurve: taste,
  deconvolve: "sharpens noise as well where a stack is not deep; the default shows what was recorded",
  equaliseAdaptiveHistogram: taste,
  limitGreen: "green may be real; star colours are balanced instead",
  matchHistogram: "needs a second picture to match",
  neutraliseSky: "part of the balance of star colours, alone for pictures without stars",
  normaliseLocal: "between images of a person's own; the night normalises its frames before stacking",
  stretchAsinh: otherCurve,
  stretchImage: otherCurve,
  stretchLog: otherCurve,
  stretchPower: otherCurve,
  stretchRational: otherCurve,
  stretchSigmoid: otherCurve,
  alignImage: "brings one image to another; the night registers frames in the stack",
  calibrateFrame: tiles,
  repairPixels: tiles,
  resample: tiles,
  stackImages: "for images in memory; the night stacks from its files",
  describeTransform: "says a transform in words, for a person",
  imageFromFunction: "makes an image of a person's own",
  imageFromRows: "makes an image of a person's own",
  undoCurve: "takes a step of a person's own back",
  undoStretch: "takes a step of a person's own back",
};

/** Rooms whose functions are stages of the work on pixels. */
const stageRooms = [
  "calibrate",
  "register",
  "normalise",
  "stack",
  "background",
  "detail",
  "tone",
  "colour",
  "arithmetic",
];
const snake = (name: string): string => name.replaceAll(/[A-Z]/g, (letter) => `_${letter.toLowerCase()}`);
const mainDoor = readFileSync(new URL("public_api.txt", import.meta.url), "utf8").split("\n")
  .filter((line) => line.startsWith("faintlight ")).map((line) => line.split(" ")[1]);
const stages = mainDoor.flatMap((name) =>
  stageRooms.map((room) => join(lib, room, `${snake(name)}.ts`)).filter((file) => existsSync(file))
    .map((file) => ({ name, file }))
);

describe("the night", () => {
  const files = reachedFrom(join(lib, "pipeline/run_night.ts"));
  const isReached = ({ name, file }: { name: string; file: string }) =>
    stepNames.includes(name) ? reachedSteps.has(name) : files.has(file);
  it("has many stages to reach", () => {
    expect(stages.length).toBeGreaterThan(40);
    expect(reachedSteps.size).toBeGreaterThan(15);
  });
  it("reaches every stage of the main door that is not the person's choice", () => {
    expect(stages.filter((stage) => !isReached(stage) && !(stage.name in choices)).map(({ name }) => name)).toEqual([]);
  });
  it("leaves to the person no more than the list says", () => {
    const known = new Set(stages.filter((stage) => !isReached(stage)).map(({ name }) => name));
    expect(Object.keys(choices).filter((name) => !known.has(name))).toEqual([]);
  });
});
