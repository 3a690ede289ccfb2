/**
 * The main job on a small simulated night: what comes out, that it repeats, and that odd folders end well. Covers
 * night.ts, check_lights.ts, measure_light.ts, register_lights.ts, normalise_lights.ts, check_calibration.ts,
 * make_pictures.ts, finish_picture.ts, night_report.ts, night_tables.ts, night_context.ts, disk_space.ts, record.ts
 * and rerun_picture.ts.
 */
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import {
  cpSync,
  existsSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  rmSync,
  statSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { derive } from "../../lib/doors/extend.ts";
import { closePool, setWorkerCount } from "../../lib/doors/parallel.ts";
import { longNight, planSimulation, pocketNight, simulateNight } from "../../lib/doors/simulate.ts";
import {
  listFrames,
  type NightRun,
  parseDecisions,
  parseRecipe,
  readFits,
  rerunPicture,
  runNight,
  type RunNightOptions,
  writeFits,
} from "../../lib/mod.ts";
import { frameColumns, registrationColumns } from "../../lib/pipeline/check_lights.ts";
import { parseCsv } from "../../lib/pipeline/csv.ts";
import { bytesNeeded } from "../../lib/pipeline/disk_space.ts";

const base = mkdtempSync(join(tmpdir(), "faintlight-night-"));
const night = join(base, "night");
let count = 0;
const newOut = (): string => {
  const out = join(base, `out-${++count}`);
  mkdirSync(out);
  return out;
};
const text = (...path: string[]) => readFileSync(join(...path), "utf8");
const columnsOf = (path: string) => text(path).split("\n")[0].split(",");

/** A copy of the night with some files only. */
function part(name: string, keep: (file: string) => boolean): string {
  const folder = join(base, name);
  cpSync(night, folder, { recursive: true, filter: (path) => !path.endsWith(".fits") || keep(path) });
  return folder;
}

/** Two steps to a picture, where what counts lies before them. */
const shortRecipe = parseRecipe(
  JSON.stringify({
    name: "hydrogen in gray",
    steps: [
      { id: "even", step: "extractGradient", inputs: ["stack.Ha"], channel: "Ha" },
      { id: "picture", step: "automaticStretch", inputs: ["even"] },
    ],
    result: "picture",
  }),
  "short recipe",
);

interface TestRun {
  readonly outcome: NightRun;
  readonly out: string;
  readonly remarks: string[];
}

function run(folder: string, options: Partial<RunNightOptions> = {}, workers = 0): TestRun {
  const remarks: string[] = [];
  const out = options.out ?? newOut();
  setWorkerCount(workers);
  try {
    const outcome = runNight(folder, { ...options, out, remark: (line) => remarks.push(line) });
    return { outcome, out, remarks };
  } finally {
    setWorkerCount(0);
  }
}

beforeAll(() => {
  const small = { width: 300, height: 230, lights: { Ha: 5, OIII: 4 }, faults: [{ light: 4, fault: "cap" }] as const };
  simulateNight(night, planSimulation(longNight, { ...small, darks: 3, biases: 2, flats: 2, flatDarks: 2 }));
});
afterAll(() => {
  closePool();
  rmSync(base, { recursive: true });
});

describe("a whole night", () => {
  let first: ReturnType<typeof run>;
  beforeAll(() => {
    first = run(night);
  });

  it("leaves everything that was promised, with the columns that were promised", () => {
    const { out } = first;
    expect(columnsOf(join(out, "frames.csv"))).toEqual([...frameColumns]);
    expect(columnsOf(join(out, "registration.csv"))).toEqual([...registrationColumns]);
    const expected = ["picture.png", "picture-web.jpg", "report.html", "record.json", "log.json", "calibration.csv"];
    for (const file of expected) expect(existsSync(join(out, file)), file).toBe(true);
    for (const filter of ["Ha", "OIII"]) {
      for (const each of ["", "-weight", "-coverage", "-rejections", "-half-a", "-half-b"]) {
        expect(existsSync(join(out, "stacks", `${filter}${each}.fits`)), `${filter}${each}`).toBe(true);
      }
    }
    const steps = readdirSync(join(out, "steps"));
    expect(steps).toContain("02-extract-gradient-Ha.fits");
    expect(steps).toContain("02-extract-gradient-Ha.png");
    expect([...steps, ...readdirSync(out)].filter((name) => name.includes("partial"))).toEqual([]);
  });

  it("has a row for each light, and leaves out the one with the cap on", () => {
    const rows = parseCsv(text(first.out, "frames.csv"));
    expect(rows.length).toBe(9);
    const capped = rows.filter((row) => row.cause.includes("lens cap"));
    expect(capped.map((row) => row.verdict)).toEqual(["reject"]);
    expect(Number(capped[0].weight)).toBe(0);
  });

  it("gives weights of mean 1 over the kept frames of each stack", () => {
    const rows = parseCsv(text(first.out, "frames.csv"));
    for (const filter of ["Ha", "OIII"]) {
      const weights = rows.filter((row) => row.filter === filter && Number(row.weight) > 0).map((row) =>
        Number(row.weight)
      );
      expect(weights.reduce((sum, w) => sum + w, 0) / weights.length).toBeCloseTo(1, 5);
    }
  });

  it("puts all stacks on one grid, linear, with the reference named", () => {
    const ha = readFits(join(first.out, "stacks", "Ha.fits"));
    const oiii = readFits(join(first.out, "stacks", "OIII.fits"));
    expect([ha.width, ha.height, ha.unit]).toEqual([oiii.width, oiii.height, "adu"]);
  });

  it("says nothing of times, paths or workers in the record", () => {
    const record = text(first.out, "record.json");
    expect(record).not.toContain(base);
    expect(record).not.toMatch(/seconds"?:|workers|\/tmp\//);
  });

  it("gives the same record and the same picture for any number of workers", () => {
    const second = run(night, {}, 2);
    expect(text(second.out, "record.json")).toBe(text(first.out, "record.json"));
    expect(readFileSync(join(second.out, "picture.png")).equals(readFileSync(join(first.out, "picture.png")))).toBe(
      true,
    );
  });

  it("goes on where it was stopped, to the same record", () => {
    const unbroken = run(night, { recipe: shortRecipe });
    const out = newOut();
    const stop = new Error("stopped by the person");
    expect(() =>
      runNight(night, {
        recipe: shortRecipe,
        out,
        progress: ({ label, done }) => {
          if (label === "local normalisation" && done > 0) throw stop;
        },
      })
    ).toThrow(stop);
    expect(existsSync(join(out, "picture.png"))).toBe(false);
    const labels = new Set<string>();
    runNight(night, { recipe: shortRecipe, out, progress: ({ label }) => labels.add(label) });
    expect([...labels]).not.toContain("measuring frames");
    expect(text(out, "record.json")).toBe(text(unbroken.out, "record.json"));
  });

  it("is repeated from the picture, bit for bit, and refuses a changed frame", () => {
    const picture = join(first.out, "picture.png");
    const again = rerunPicture(picture, night, { out: newOut() });
    expect(again.sameBytes).toBe(true);
    const other = part("changed", () => true);
    const light = join(other, "lights", readdirSync(join(other, "lights"))[0]);
    const bytes = readFileSync(light);
    bytes[bytes.length - 2880 * 2] ^= 1;
    writeFileSync(light, bytes);
    expect(() => rerunPicture(picture, other, { out: newOut() })).toThrow(
      "content differs",
    );
  });

  it("tells the disk it will need before it starts, and needs no more", () => {
    const { records } = listFrames(night);
    const sizeOf = (path: string): number =>
      statSync(path).isDirectory()
        ? readdirSync(path).reduce((sum, name) => sum + sizeOf(join(path, name)), 0)
        : statSync(path).size;
    expect(first.remarks.join("\n")).toContain(`up to ${Math.ceil(bytesNeeded(records) / 1e6)} MB`);
    expect(sizeOf(first.out)).toBeLessThan(bytesNeeded(records));
  });

  it("puts each half of the night through the same steps and tells what only one of them shows", () => {
    const { unconfirmedShare } = JSON.parse(text(first.out, "record.json"));
    expect(unconfirmedShare).toBeGreaterThan(0);
    expect(unconfirmedShare).toBeLessThan(0.5);
    const steps = readdirSync(join(first.out, "steps"));
    const map = readFits(join(first.out, "steps", steps.find((name) => /validate-halves\.fits$/.test(name)) ?? ""));
    const picture = JSON.parse(text(first.out, "record.json")).picture;
    expect([map.width, map.height]).toEqual([picture.width, picture.height]);
    expect(text(first.out, "report.html")).toContain("What only one half of the night shows");
  });

  it("leaves out a calibration frame whose pixels are wrong, and says why", () => {
    const folder = part("over", () => true);
    const flat = readdirSync(join(folder, "flats"))[0];
    const path = join(folder, "flats", flat);
    const image = readFits(path);
    const data = image.planes[0].data.map((v, at) => at % 7 === 0 ? 16300 : Math.min(16383, 12 * v));
    writeFits(path, derive(image, { planes: [{ channel: "L", data }] }, { step: "overexpose", options: {} }));
    const { out } = run(folder, { recipe: shortRecipe });
    const row = parseCsv(text(out, "calibration.csv")).find((each) => each.file === `flats/${flat}`);
    expect(row?.used).toBe("no");
    expect(row?.reason).toContain("over-exposed flat");
  });

  it("does what the person decided about a light, keeps it in the record, and repeats it from there", () => {
    const rows = parseCsv(text(first.out, "frames.csv"));
    const good = rows.find((each) => each.verdict === "keep")?.file ?? "";
    const capped = rows.find((each) => each.cause.includes("lens cap"))?.file ?? "";
    const decisions = parseDecisions(`reject ${good} # my shadow\nkeep ${capped}\nkeep lights/none.fits`);
    const { out, remarks } = run(night, { recipe: shortRecipe, decisions });
    const after = parseCsv(text(out, "frames.csv"));
    const rowOf = (file: string) => after.find((each) => each.file === file);
    expect([rowOf(good)?.verdict, rowOf(good)?.weight]).toEqual(["reject", "0"]);
    expect(rowOf(good)?.evidence).toContain("decided by hand: my shadow");
    expect(rowOf(capped)?.verdict).toBe("reject");
    expect(rowOf(capped)?.evidence).toContain("the frame cannot be used");
    expect(remarks.join("\n")).toContain("lights/none.fits: a decision names it");
    const picture = join(out, "picture.png");
    expect(rerunPicture(picture, night, { out: newOut() }).sameBytes).toBe(true);
  });

  it("refuses a folder that holds other things, and leaves them alone", () => {
    const out = newOut();
    writeFileSync(join(out, "holiday.txt"), "mine");
    expect(() => run(night, { out })).toThrow("must be empty or hold a stopped run, but holds holiday.txt");
    expect(readdirSync(out)).toEqual(["holiday.txt"]);
  });
});

describe("odd folders", () => {
  it("without any calibration say so and still give a picture", () => {
    const { out, remarks } = run(part("bare", (path) => path.includes("lights")), { recipe: shortRecipe });
    expect(remarks.join("\n")).toContain("no dark and no bias fits");
    expect(remarks.join("\n")).toContain("no flat for Ha");
    expect(remarks.join("\n")).toMatch(
      /no dark tells hot pixels; \d+ bright and \d+ dark ones were found in the lights/,
    );
    expect(existsSync(join(out, "picture.png"))).toBe(true);
  });

  it("with one filter give a picture of that filter", () => {
    const { out } = run(part("one", (path) => !path.includes("OIII")));
    expect(readdirSync(join(out, "stacks")).filter((name) => name.startsWith("OIII"))).toEqual([]);
    expect(readFits(join(out, "stacks", "Ha.fits")).planes.length).toBe(1);
    expect(existsSync(join(out, "picture.png"))).toBe(true);
  });

  it("with junk and a broken frame lose nothing else", () => {
    const folder = part("junk", (path) => !path.includes("OIII"));
    writeFileSync(join(folder, "notes.txt"), "clear until two");
    writeFileSync(join(folder, "lights", "broken.fits"), "this is not FITS");
    const { out } = run(folder, { recipe: shortRecipe });
    const row = parseCsv(text(out, "frames.csv")).find((each) => each.file === "lights/broken.fits");
    expect(row?.verdict).toBe("reject");
    expect(row?.evidence).not.toContain(base);
    expect(existsSync(join(out, "picture.png"))).toBe(true);
  });

  it("with nothing usable end with a report and no picture", () => {
    const { outcome, out, remarks } = run(part("darks-only", (path) => path.includes("dark")));
    expect(outcome.usableFrames).toBe(0);
    expect(existsSync(join(out, "report.html"))).toBe(true);
    expect(existsSync(join(out, "picture.png"))).toBe(false);
    expect(remarks.join("\n")).toContain("no light could be used");
  });

  it("with two rigs name the stacks after them and make a picture for each", () => {
    const folder = part("two", (path) => !path.includes("OIII"));
    const colour = { width: 240, height: 180, lights: { colour: 4 }, faults: [], calibrationFaults: [] };
    simulateNight(join(folder, "pocket"), planSimulation(pocketNight, { ...colour, darks: 2, biases: 2, flats: 2 }));
    const { out } = run(folder);
    const stacks = readdirSync(join(out, "stacks")).filter((name) => /(Ha|colour)\.fits$/.test(name));
    expect(stacks.length).toBe(2);
    expect(stacks.every((name) => name.includes("-"))).toBe(true);
    expect(readdirSync(out).filter((name) => name.endsWith("picture.png")).length).toBe(2);
  });
});
