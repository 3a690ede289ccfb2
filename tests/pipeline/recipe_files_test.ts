/**
 * Recipes as values: from an image, with a step changed, side by side, to and from files and pictures. Covers
 * recipe_of.ts, change_step.ts, compare_recipes.ts, read_recipe.ts, write_recipe.ts, read_picture.ts and
 * write_picture.ts.
 */
import { afterAll, describe, expect, it } from "vitest";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import {
  addImages,
  changeStep,
  compareRecipes,
  constantImage,
  cropImage,
  defaultRecipe,
  type Image,
  imageDigest,
  imageFromFunction,
  joinChannels,
  readPicture,
  readRecipe,
  recipeOf,
  renameChannels,
  runRecipe,
  subtractImages,
  writePicture,
  writeRecipe,
} from "faintlight";
import { derive } from "faintlight/extend";
import { readRecord } from "faintlight/io";

const folder = mkdtempSync(join(tmpdir(), "faintlight-recipe-"));
afterAll(() => rmSync(folder, { recursive: true }));
const region = { x: 0, y: 0, width: 60, height: 50 };
const recipe = defaultRecipe(["Ha", "OIII"], region);

describe("recipeOf", () => {
  const Ha = renameChannels(imageFromFunction(8, 6, (x, y) => x + y), { L: "Ha" });
  const OIII = renameChannels(imageFromFunction(8, 6, (x, y) => x * y), { L: "OIII" });
  const crop = (image: Image) => cropImage(image, { x: 1, width: 4 });
  const made = subtractImages(addImages(joinChannels([crop(Ha), crop(OIII)]), 5), 2);

  it("says what was done since the stacks, and does it again", () => {
    const found = recipeOf(made, { since: { Ha, OIII } });
    expect(found.steps.map(({ id }) => id)).toEqual([
      "cropImage",
      "cropImage2",
      "joinChannels",
      "addImages",
      "subtractImages",
    ]);
    expect(found.steps[0].inputs).toEqual(["stack.Ha"]);
    const again = runRecipe(found, { Ha, OIII }) as Image;
    expect(imageDigest(again)).toBe(imageDigest(made));
    expect(again.history.head).toBe(made.history.head);
  });

  it("starts at what a recipe cannot name when nobody says where", () => {
    const found = recipeOf(crop(imageFromFunction(8, 6, (x) => x)));
    expect(found.steps.map(({ inputs }) => inputs)).toEqual([["stack.image"]]);
  });

  it("refuses steps of one's own and images that came another way", () => {
    const own = derive(crop(Ha), {}, { step: "mine", options: {} });
    expect(() => recipeOf(own, { since: Ha })).toThrow(/every step must be one that a recipe may name, but got "mine"/);
    expect(() => recipeOf(crop(Ha), { since: OIII })).toThrow(/since must be what the image was made from/);
    expect(() => recipeOf(Ha, { since: Ha })).toThrow(/must be made by a step/);
  });
});

describe("changeStep", () => {
  it("changes one step of a copy", () => {
    const changed = changeStep(recipe, "stretched", { skyLightness: 9 });
    const options = ({ steps }: typeof recipe) => steps.find(({ id }) => id === "stretched")?.options;
    expect(options(changed)).toEqual({ ...options(recipe), skyLightness: 9 });
    expect(options(recipe)?.skyLightness).toBe(5);
  });

  it("refuses what the step would refuse", () => {
    expect(() => changeStep(recipe, "stretch", {})).toThrow(/id must be one of .*stretched.*, but got "stretch"/);
    expect(() => changeStep(recipe, "starsReduced", { strenght: 1 })).toThrow(/unknown option "strenght"/);
    expect(() => changeStep(recipe, "picture", { factor: -1 })).toThrow(/saturate: factor must/);
  });
});

describe("compareRecipes", () => {
  it("finds nothing between a recipe and itself under other ids", () => {
    const text = JSON.stringify(recipe).replaceAll('"parts', '"pieces').replaceAll('"denoised"', '"quiet"');
    const { same, changed, removed, added, partAt } = compareRecipes(recipe, JSON.parse(text));
    expect(same.length).toBe(recipe.steps.length);
    expect([changed, removed, added, partAt]).toEqual([[], [], [], null]);
  });

  it("says where two part, what was left out and what was added", () => {
    const other = changeStep(recipe, "stretched", { skyLightness: 9 });
    const crop = { id: "cut", step: "cropImage", inputs: ["picture"], options: { width: 9 }, channel: "" };
    const longer = { ...other, steps: [...other.steps.filter(({ id }) => id !== "sharpened"), crop] };
    const { changed, removed, added, partAt } = compareRecipes(recipe, longer);
    expect(partAt).toBe("stretched");
    expect(changed[0].options).toEqual([{ name: "skyLightness", before: 5, after: 9 }]);
    expect(removed.map(({ id }) => id)).toEqual(["sharpened"]);
    expect(added.map(({ id }) => id)).toEqual(["cut"]);
  });
});

describe("files", () => {
  it("hold a recipe and give it back", () => {
    const path = join(folder, "recipe.json");
    writeRecipe(path, recipe);
    expect(readRecipe(path)).toEqual(recipe);
    expect(() => writeRecipe(path, { ...recipe, result: "none" })).toThrow(/result "none" is no node/);
    writeFileSync(path, "{}");
    expect(() => readRecipe(path)).toThrow(/name/);
  });

  it("are no record when they name places outside the night, digests that are none or what no record holds", () => {
    const picture = { width: 4, height: 3, sha256: "ab".repeat(32) };
    const history = { head: "a", nodes: [] };
    const record = { record: 1, inputs: [], decisions: [], recipe, history, picture };
    const read = (change: object) =>
      readRecord(new TextEncoder().encode(JSON.stringify({ ...record, ...change })), "a.json");
    expect(read({}).recipe).toEqual(recipe);
    const input = (file: string) => ({ inputs: [{ file, kind: "light", sha256: picture.sha256 }] });
    expect(read(input("lights/..a/x..fits")).inputs.length).toBe(1);
    for (const file of ["../a.fits", "lights/../../a.fits", "/etc/a.fits", "C:\\a.fits", "a\\..\\b", ""]) {
      expect(() => read(input(file)), file).toThrow(
        /^a\.json: is no record of this version: inputs\.0\.file must be a path within the night's folder/,
      );
    }
    expect(() => read({ picture: { ...picture, sha256: "no" }, run: 1 })).toThrow(
      /picture\.sha256 must be 64 hexadecimal digits, but is "no"; correct it\n.*run is no known name; take it out$/,
    );
  });

  it("hold a picture with its record, to the step of 16 bits", () => {
    const image = imageFromFunction(8, 6, (x, y) => (x + 8 * y) / 47, { unit: "display" });
    const path = join(folder, "picture.png");
    writePicture(path, image, { record: '{"a":1}' });
    const { image: found, record } = readPicture(path);
    expect(record).toBe('{"a":1}');
    const apart = found.planes[0].data.map((value, at) => Math.abs(value - image.planes[0].data[at]));
    expect(Math.max(...apart)).toBeLessThanOrEqual(0.5 / 65535 + 1e-7);
    writePicture(join(folder, "picture.jpg"), image, { caption: { object: "Lantern Nebula" } });
    expect(() => writePicture(join(folder, "a.jpg"), image, { record: "{}" })).toThrow(/a record must go into a PNG/);
    expect(() => writePicture(join(folder, "a.png"), constantImage(4, 4, 1))).toThrow(/stretch it first/);
  });
});
