/**
 * Whatever happens between two runs into one output folder (a kill, damage, other files, decisions or steps), it ends
 * with the bytes of an unbroken run into a new one. Covers checkpoints.ts, known_frames.ts, written_file.ts,
 * output_files.ts and require_unchanged.ts.
 */
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import {
  cpSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  rmSync,
  statSync,
  truncateSync,
  utimesSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { closePool, setWorkerCount } from "../../lib/doors/parallel.ts";
import { longNight, planSimulation, simulateNight } from "../../lib/doors/simulate.ts";
import {
  parseDecisions,
  parseRecipe,
  type Recipe,
  rerunPicture,
  runNight,
  type RunNightOptions,
} from "../../lib/mod.ts";

const base = mkdtempSync(join(tmpdir(), "faintlight-folder-"));
let count = 0;
const fresh = (name: string): string => join(base, `${name}-${++count}`);

const recipeWith = (skyLightness: number): Recipe =>
  parseRecipe(
    JSON.stringify({
      name: "one filter in gray",
      steps: [
        { id: "part", step: "cropImage", inputs: ["stack.Ha"], channel: "Ha", options: { x: 20, width: 200 } },
        { id: "picture", step: "automaticStretch", inputs: ["part"], options: { skyLightness } },
      ],
      result: "picture",
    }),
    "recipe",
  );
const recipe = recipeWith(13);

interface Ran {
  readonly out: string;
  readonly remarks: string;
  readonly labels: ReadonlySet<string>;
}

function run(folder: string, out: string, options: Partial<RunNightOptions> = {}): Ran {
  const remarks: string[] = [];
  const labels = new Set<string>();
  const progress: RunNightOptions["progress"] = ({ label }) => void labels.add(label);
  runNight(folder, { recipe, progress, ...options, out, remark: (text) => remarks.push(text) });
  return { out, remarks: remarks.join("\n"), labels };
}

/** Files below a folder, but the kept answers and the log of times. */
const resultsIn = (folder: string): string[] =>
  readdirSync(folder, { recursive: true, withFileTypes: true })
    .filter((each) => each.isFile())
    .map((each) => join(each.parentPath, each.name).slice(folder.length + 1))
    .filter((name) => !name.startsWith("resume") && name !== "log.json")
    .sort();

/** Every result, byte for byte: tables, record, report, samples. */
function expectSame(out: string, unbroken: string): void {
  expect(resultsIn(out)).toEqual(resultsIn(unbroken));
  for (const name of resultsIn(out)) {
    expect(readFileSync(join(out, name)).equals(readFileSync(join(unbroken, name))), name).toBe(true);
  }
}

/** Answers about single lights that a folder keeps: one a light measured. */
const measured = (out: string): number =>
  readdirSync(join(out, "resume")).filter((name) => name.startsWith("measure-")).length;

const night = join(base, "night");
const spare = join(base, "spare");
let unbroken: Ran;

beforeAll(() => {
  setWorkerCount(0);
  const plan = {
    width: 240,
    height: 180,
    faults: [],
    calibrationFaults: [],
    darks: 3,
    biases: 2,
    flats: 3,
    flatDarks: 0,
  };
  simulateNight(spare, planSimulation(longNight, { ...plan, lights: { Ha: 6 } }));
  cpSync(spare, night, { recursive: true });
  rmSync(light(night, 5));
  unbroken = run(night, fresh("out"));
});
afterAll(() => {
  closePool();
  rmSync(base, { recursive: true });
});

/** Path of a file of the night by its place in the folder's list. */
function nth(folder: string, kind: string, index: number): string {
  return join(folder, kind, readdirSync(join(folder, kind)).filter((name) => name.endsWith(".fits")).sort()[index]);
}
function light(folder: string, index: number): string {
  return nth(folder, "lights", index);
}

function copyOf(folder: string): string {
  const copy = fresh("night");
  cpSync(folder, copy, { recursive: true, preserveTimestamps: true });
  return copy;
}

const copyOut = (): string => {
  const out = fresh("out");
  cpSync(unbroken.out, out, { recursive: true, preserveTimestamps: true });
  return out;
};

/** Change one byte of a file's second half, and leave its size and time of writing as they were. */
function flip(path: string): void {
  const { atime, mtime } = statSync(path);
  const bytes = readFileSync(path);
  bytes[Math.floor(bytes.length * 0.7)] ^= 0x11;
  writeFileSync(path, bytes);
  utimesSync(path, atime, mtime);
}

describe("an output folder", () => {
  it("is the same after a run that was stopped at every stage, one after the other", () => {
    const stop = new Error("stopped by the person");
    const out = fresh("out");
    const stages = [...unbroken.labels].filter((label) => !label.startsWith("results are kept"));
    let stops = 0;
    for (const stage of stages) {
      const progress: RunNightOptions["progress"] = ({ label, done, total }) => {
        // the last report of a stage comes when its work is done
        if (label === stage && done >= Math.min(1, total)) throw stop;
      };
      try {
        run(night, out, { progress });
      } catch (error) {
        expect(error).toBe(stop);
        stops++;
      }
    }
    expect(stops).toBeGreaterThan(5);
    run(night, out);
    expectSame(out, unbroken.out);
  });

  it.each([
    { name: "missing", damage: (path: string) => rmSync(path) },
    { name: "cut", damage: (path: string) => truncateSync(path, Math.floor(statSync(path).size / 2)) },
    { name: "changed by one bit", damage: flip },
  ])("has every file made again that is $name, and says so", ({ name, damage }) => {
    const kept = readdirSync(join(unbroken.out, "resume"), { recursive: true, encoding: "utf8" }).sort();
    const keptOf = (form: RegExp) => kept.filter((each) => form.test(each)).map((each) => `resume/${each}`);
    const anyIn = (folder: string) =>
      readdirSync(join(unbroken.out, folder)).slice(0, 2).map((each) => `${folder}/${each}`);
    const out = copyOut();

    const results = [
      "stacks/Ha.fits",
      "picture.png",
      "record.json",
      "frames.csv",
      ...anyIn("masters"),
      ...anyIn("steps"),
    ];
    results.forEach((file) => damage(join(out, file)));
    expect(run(night, out).remarks).toContain(`and ${results.length - 4} more: are not as the last run left them`);
    expectSame(out, unbroken.out);

    const parts = keptOf(/^stack-.*\/Ha(-coverage|-half-a)?\.fits$/);
    const masters = keptOf(/^master-.*\.fits$/);
    expect([parts.length, masters.length]).toEqual([3, 3]);
    for (const file of [...parts, ...masters]) {
      damage(join(out, file));
      expect(run(night, out).remarks, file).toContain(`${file}: is not as it was written (missing, cut or changed)`);
      expectSame(out, unbroken.out);
    }

    // a folder of which nothing says whose it is, is refused
    const marks = name === "missing" ? "files" : "files|outputs|run";
    const answers = keptOf(new RegExp(`^(measure|stack|registration|judgement|${marks})-?.*\\.json$`));
    expect(answers.length).toBeGreaterThan(8);
    answers.forEach((file) => damage(join(out, file)));
    const { remarks } = run(night, out);
    expectSame(out, unbroken.out);
    // an answer that is not there is a question not asked yet
    if (name === "missing") return;
    for (const stage of ["measure", "stack", "registration", "judgement"]) {
      expect(remarks).toMatch(new RegExp(`resume/${stage}-.*\\.json: is not as it was written`));
    }
  });

  it("takes in lights that came, changed and went, and measures no other again", () => {
    const out = copyOut();
    const before = measured(out);
    expect(before).toBe(5);
    const changing = copyOf(night);
    run(changing, out);
    expect(measured(out)).toBe(before);

    cpSync(light(spare, 5), join(changing, "lights", light(spare, 5).split("/").at(-1) ?? ""));
    run(changing, out);
    expect(measured(out)).toBe(before + 1);
    expectSame(out, run(changing, fresh("out")).out);

    cpSync(light(spare, 5), light(changing, 1));
    rmSync(light(changing, 5));
    run(changing, out);
    expect(measured(out)).toBe(before + 1);
    expectSame(out, run(changing, fresh("out")).out);

    rmSync(light(changing, 0));
    run(changing, out);
    expect(measured(out)).toBe(before + 1);
    expectSame(out, run(changing, fresh("out")).out);
  });

  it("takes in flats and darks that came, changed and went", () => {
    const out = copyOut();
    const changing = copyOf(night);
    rmSync(nth(changing, "flats", 2));
    run(changing, out);
    expectSame(out, run(changing, fresh("out")).out);
    cpSync(nth(spare, "flats", 2), nth(changing, "flats", 0));
    cpSync(nth(spare, "darks", 0), join(changing, "darks", "again.fits"));
    run(changing, out);
    expectSame(out, run(changing, fresh("out")).out);
    rmSync(join(changing, "flats"), { recursive: true });
    const { remarks } = run(changing, out);
    expect(remarks).toMatch(/masters\/.*flat.*made by an earlier run, not by this one, and taken away/);
    expectSame(out, run(changing, fresh("out")).out);
  });

  it("follows decisions and steps that change, and change back", () => {
    const out = copyOut();
    const name = `lights/${readdirSync(join(night, "lights")).filter((each) => each.endsWith(".fits")).sort()[2]}`;
    const decisions = parseDecisions(`reject ${name} # my shadow`);
    run(night, out, { decisions });
    expect(measured(out)).toBe(5);
    expectSame(out, run(night, fresh("out"), { decisions }).out);
    run(night, out, { recipe: recipeWith(20) });
    expectSame(out, run(night, fresh("out"), { recipe: recipeWith(20) }).out);
    run(night, out);
    expectSame(out, unbroken.out);
  });

  it("is refused to another night, and its results stay", () => {
    const other = fresh("night");
    const small = { width: 240, height: 180, faults: [], calibrationFaults: [], darks: 0, biases: 0, flats: 0 };
    simulateNight(other, planSimulation(longNight, { ...small, flatDarks: 0, lights: { OIII: 1 }, seed: 11 }));
    expect(() => run(other, unbroken.out)).toThrow("holds the results of another night or version");
    expectSame(copyOut(), unbroken.out);
  });

  it("is the same when its record is repeated, with the kinds of frames that a person corrected", () => {
    const decisions = join(base, "decisions.txt");
    const flat = `flats/${nth(night, "flats", 0).split("/").at(-1)}`;
    writeFileSync(decisions, `dark ${flat} # the lamp was off\n`);
    const { out } = run(night, fresh("out"), { decisions });
    const kindOf = (folder: string) =>
      JSON.parse(readFileSync(join(folder, "record.json"), "utf8")).inputs
        .find((each: { file: string }) => each.file === flat).kind;
    expect(kindOf(out)).toBe("dark");
    const again = rerunPicture(join(out, "picture.png"), night, { out: fresh("out") });
    expect(again.sameBytes).toBe(true);
    expect(kindOf(again.night.out)).toBe("dark");
    expectSame(again.night.out, out);
  });

  it("leaves what the person put into it", () => {
    const out = copyOut();
    writeFileSync(join(out, "notes.txt"), "clear until two");
    mkdirSync(join(out, "steps", "mine"));
    run(night, out);
    expect(readFileSync(join(out, "notes.txt"), "utf8")).toBe("clear until two");
    expect(readdirSync(join(out, "steps"))).toContain("mine");
  });
});

describe("a file that changes while a run reads it", () => {
  it.each([
    { name: "is written anew", change: (path: string) => cpSync(light(spare, 5), path), fact: "has other content now" },
    { name: "keeps size and time", change: flip, fact: "has other content now" },
    { name: "goes away", change: (path: string) => rmSync(path), fact: "has gone" },
  ])("and $name is named, and nothing of it is kept", ({ change, fact }) => {
    const folder = copyOf(night);
    const out = fresh("out");
    let done = false;
    const progress: RunNightOptions["progress"] = ({ label }) => {
      if (label !== "local normalisation" || done) return;
      done = true;
      change(light(folder, 3));
    };
    expect(() => run(folder, out, { progress })).toThrow(new RegExp(`lights/.* ${fact}; wait until they are copied`));
    expect(readdirSync(out)).not.toContain("record.json");
    expect(measured(out)).toBe(4);
    run(folder, out);
    expectSame(out, run(folder, fresh("out")).out);
  });

  it("may be touched without a change", () => {
    const folder = copyOf(night);
    const out = fresh("out");
    run(folder, out, {
      progress: ({ label }) => {
        if (label === "local normalisation") utimesSync(light(folder, 3), 1e9, 1e9);
      },
    });
    expectSame(out, unbroken.out);
  });
});
