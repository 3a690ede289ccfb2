/**
 * Accidents of a night, each on a few small simulated frames: what is left out, what is said, what is made, at least the
 * picture of pipeline/plain_picture.ts.
 */
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { cpSync, existsSync, mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { createImage, derive } from "../../lib/doors/extend.ts";
import { describeFrame, readFitsHeader } from "../../lib/doors/io.ts";
import { closePool, setWorkerCount } from "../../lib/doors/parallel.ts";
import { longNight, planSimulation, simulateNight } from "../../lib/doors/simulate.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import {
  defaultRecipe,
  detectStars,
  type Image,
  listFrames,
  matchCalibration,
  type NightRun,
  parseRecipe,
  readFits,
  type Recipe,
  rerunPicture,
  runNight,
  runRecipe,
  writeFits,
} from "../../lib/mod.ts";
import { readRawLight, withoutImpossible } from "../../lib/pipeline/calibrate_light.ts";
import { masterMaker, masterMemory } from "../../lib/pipeline/master_maker.ts";
import { measureLight } from "../../lib/pipeline/measure_light.ts";
import { fileName, safeName } from "../../lib/pipeline/night_context.ts";

const base = mkdtempSync(join(tmpdir(), "faintlight-fence-"));
const night = join(base, "night");
let count = 0;

beforeAll(() => {
  setWorkerCount(0);
  const small = { width: 240, height: 180, lights: { Ha: 3, OIII: 3 }, faults: [], calibrationFaults: [] };
  simulateNight(night, planSimulation(longNight, { ...small, darks: 2, biases: 2, flats: 1, flatDarks: 0 }));
});
afterAll(() => {
  closePool();
  rmSync(base, { recursive: true });
});

/** A copy of the night with those files only that are wanted, one filter unless both are. */
function copyOf(keep: (file: string) => boolean = (file) => !file.includes("OIII"), name = `copy-${++count}`): string {
  const folder = join(base, name);
  cpSync(night, folder, { recursive: true, filter: (path) => !path.endsWith(".fits") || keep(path) });
  return folder;
}

interface Ran {
  readonly outcome: NightRun;
  readonly out: string;
  readonly remarks: string;
}

function run(folder: string, recipe: Recipe | null = null): Ran {
  const out = join(base, `out-${++count}`);
  const remarks: string[] = [];
  const outcome = runNight(folder, { out, recipe, remark: (text) => remarks.push(text) });
  for (const file of ["picture.png", "report.html", "frames.csv", "record.json"]) {
    expect(existsSync(join(out, file)), file).toBe(true);
  }
  return { outcome, out, remarks: remarks.join("\n") };
}

const recordIn = (out: string) => JSON.parse(readFileSync(join(out, "record.json"), "utf8"));
const region = { x: 10, y: 10, width: 200, height: 150 };

/** The default recipe with options that make steps fail. */
const broken = (channels: string[], options: Readonly<Record<string, Recipe["steps"][number]["options"]>>): Recipe => {
  const recipe = defaultRecipe(channels, region);
  return { ...recipe, steps: recipe.steps.map((node) => ({ ...node, options: options[node.step] ?? node.options })) };
};

describe("a step that fails in finishing", () => {
  it("is left out and said, the record holds what was done, and repeats it", () => {
    const folder = copyOf();
    const recipe = broken(["Ha"], { extractGradient: { boxesAlong: 1 }, separateStars: { nonsense: 1 } });
    const { out, outcome, remarks } = run(folder, recipe);
    expect(remarks).toMatch(/Background gradient extraction, Ha: left out, because .*boxesAlong.*give a recipe/);
    expect(remarks).toMatch(/Star separation: left out, because/);
    expect(remarks).toMatch(/Star recombination: left out, because what it works on was not made/);
    expect(outcome.summary.join("\n")).toContain("Star separation: left out");
    expect(readFileSync(join(out, "report.html"), "utf8")).toContain("Star separation: left out");
    const record = recordIn(out);
    expect(record.recipe.steps.map((node: { step: string }) => node.step)).toEqual([
      "cropImage",
      "reduceNoise",
      "automaticStretch",
      "enhanceDetail",
    ]);
    expect(record.recipe.steps[1].inputs).toEqual(["crop-Ha"]);
    expect(record.unconfirmedShare).not.toBeNull();
    const again = rerunPicture(join(out, "picture.png"), folder, { out: join(base, `out-${++count}`) });
    expect(again.sameBytes).toBe(true);
  });

  it("leaves a plainly stretched picture when it was the stretch, or everything", () => {
    const folder = copyOf();
    const { out, remarks } = run(folder, broken(["Ha"], { automaticStretch: { skyLightness: 99 } }));
    expect(remarks).toMatch(/Stretch, Ha: left out, because .*skyLightness/);
    expect(remarks).toContain("stretched plainly");
    expect(recordIn(out).recipe.result).toBe("plainStretch");
    const bad = { nonsense: 1 };
    const all = Object.fromEntries(defaultRecipe(["Ha"], region).steps.map(({ step }) => [step, bad]));
    const nothing = run(folder, broken(["Ha"], all));
    expect(recordIn(nothing.out).recipe.steps.map((node: { step: string }) => node.step)).toEqual(["automaticStretch"]);
    const again = rerunPicture(join(nothing.out, "picture.png"), folder, { out: join(base, `out-${++count}`) });
    expect(again.sameBytes).toBe(true);
  });
});

/** A field with a slope and noise, one plane. */
function field(channel: string): Image {
  const random = randomStream(7);
  const data = Float32Array.from({ length: 120 * 90 }, (_, i) => 100 + (i % 120) / 5 + 3 * random.gaussian());
  return createImage({ width: 120, height: 90, unit: "adu", planes: [{ channel, data }] });
}

describe("names of filters", () => {
  it.each([
    ["a dot", "V 0.5", "V-0.5"],
    ["a way out of the folder", "../V/1", "---V-1"],
    ["constructor", "constructor", "constructor"],
    ["__proto__", "__proto__", "__proto__"],
  ])("with %s become names of files", (_, filter, name) => {
    expect(fileName(filter)).toBe(name);
  });

  it("with 400 characters are cut and stay different", () => {
    const [one, two] = ["a", "b"].map((end) => fileName("V".repeat(400) + end));
    expect(one.length).toBe(60);
    expect(one).not.toBe(two);
    expect(safeName("V".repeat(400)).length).toBe(60);
  });

  it.each(["V 0.5", "../V/1", "V".repeat(400), "constructor", "__proto__"])(
    "%s reach the recipe and back",
    (filter) => {
      const recipe = defaultRecipe([filter], { x: 5, y: 5, width: 100, height: 80 });
      const first = { ...recipe, steps: recipe.steps.slice(0, 1), result: recipe.steps[0].id };
      const stacks = Object.fromEntries([[filter, field("L")]]);
      expect((runRecipe(parseRecipe(JSON.stringify(first), "own"), stacks) as Image).width).toBe(100);
      expect(() => runRecipe(first, {})).toThrow("the recipe needs a stack");
    },
  );
});

describe("samples that no sensor counts", () => {
  it.each<[string, number]>([["+Infinity", Infinity], ["-Infinity", -Infinity], ["1e30", 1e30]])(
    "%s are missing data of a light, and its history says so once",
    (_, value) => {
      const image = field("L");
      const data = image.planes[0].data.slice();
      data.fill(value, 1000, 1030);
      const path = join(base, `impossible-${value}.fits`);
      writeFits(path, derive(image, { planes: [{ channel: "L", data }] }, { step: "retouch", options: {} }));
      const light = readRawLight({ path, bayer: null, correction: null });
      expect(light.planes[0].data.filter(Number.isNaN).length).toBe(30);
      const [note, ...more] = light.history.nodes.at(-1)?.notes ?? [];
      expect(note).toMatch(/^30 samples are infinite or larger than any sensor counts .*missing data; check/);
      expect(more).toEqual([]);
      expect(withoutImpossible(image)).toBe(image);
    },
  );

  it("do not change what is measured elsewhere", () => {
    const image = field("L");
    const blocked = (value: number) => {
      const data = image.planes[0].data.slice();
      for (let y = 30; y < 50; y++) data.fill(value, y * 120 + 30, y * 120 + 60);
      return derive(image, { planes: [{ channel: "L", data }] }, { step: "retouch", options: {} });
    };
    const missing = detectStars(blocked(NaN));
    for (const value of [Infinity, -Infinity]) {
      const found = detectStars(blocked(value));
      expect([found.background, found.noise, found.stars]).toEqual([missing.background, missing.noise, missing.stars]);
    }
  });

  it("all over a light make a row that says so, not an end", () => {
    const data = new Float32Array(120 * 90).fill(Infinity);
    const path = join(base, "all.fits");
    writeFits(path, createImage({ width: 120, height: 90, unit: "adu", planes: [{ channel: "L", data }] }));
    const facts = describeFrame(readFitsHeader(path));
    const { quality, failure } = measureLight({ path, bayer: null, correction: null, facts, thumbnailWidth: null });
    expect(quality).toBeNull();
    expect(failure).toMatch(/all.fits: cannot be measured, because .*at least one number.*; look at the frame/);
  });
});

it.each<[string, number]>([["zero", 0], ["NaN", NaN]])(
  "a %s flat that is the only one is left away, and that is said",
  (_, value) => {
    const folder = join(base, `flat-${value}`);
    for (const kind of ["lights", "flats"]) cpSync(join(night, kind), join(folder, kind), { recursive: true });
    const records = listFrames(folder).records.filter(({ filter }) => filter === "Ha");
    const flat = records.find(({ kind }) => kind === "flat")?.path ?? "";
    const image = readFits(flat);
    rmSync(flat);
    const data = image.planes[0].data.map(() => value);
    writeFits(flat, derive(image, { planes: [{ channel: "L", data }] }, { step: "retouch", options: {} }));
    const remarks: string[] = [];
    const store = { ...masterMemory(({ file }) => file), remark: (text: string) => void remarks.push(text) };
    const [match] = matchCalibration(records).matches;
    expect(match.flat?.frames.length).toBe(1);
    expect(masterMaker(store).calibratorFor(match).masters().flat).toBeNull();
    expect(remarks.join()).toMatch(
      /^flats\/.*: no master flat of it, because .*; the lights go on without it; take new/,
    );
  },
);
