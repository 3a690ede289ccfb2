/**
 * A night in three lines: what is found, that it is kept, and what a person may change about it. Covers
 * io/output_folder.ts, io/known_frames.ts, io/checkpoints.ts, calibrate_light.ts, read_light.ts, decide_frames.ts,
 * given_masters.ts, replace_masters.ts, make_masters.ts, master_maker.ts, select_lights.ts, stack_night.ts,
 * stack_lights.ts, stack_noise.ts, picture_region.ts and night_view.ts.
 */
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import {
  cpSync,
  existsSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  rmSync,
  statSync,
  utimesSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import {
  decideFrames,
  imageDigest,
  type Light,
  listFrames,
  makeMasters,
  matchCalibration,
  type Night,
  openNight,
  type OpenNightOptions,
  readFits,
  readLight,
  replaceMasters,
  runNight,
  selectLights,
  show,
  stackNight,
  type Stacks,
} from "faintlight";
import { derive } from "faintlight/extend";
import { closePool } from "faintlight/parallel";
import { displayTo } from "faintlight/view";
import { outputFolder } from "../../lib/io/output_folder.ts";

const demo = fileURLToPath(new URL("../../demo-data/long", import.meta.url));
const base = mkdtempSync(join(tmpdir(), "faintlight-open-"));
const folder = join(base, "long");
const out = join(base, "results");
const labels: string[] = [];
const open = (options: Partial<OpenNightOptions> = {}): Night => {
  labels.length = 0;
  return openNight(folder, { out, progress: ({ label }) => labels.push(label), ...options });
};
const named = (night: Night, part: string): Light => {
  const found = night.lights.find(({ file }) => file.includes(part));
  if (found === undefined) throw new RangeError(`no light is named ${part}`);
  return found;
};
const digests = (stacks: Stacks) => Object.values(stacks).map(({ image }) => imageDigest(image));

let night: Night;
let stacks: Stacks;
beforeAll(() => {
  cpSync(demo, folder, { recursive: true, preserveTimestamps: true });
  night = open();
  stacks = stackNight(night);
});
afterAll(() => {
  closePool();
  rmSync(base, { recursive: true });
});

describe("a night that is opened", () => {
  it("says first where results are kept, and keeps them away from the raw frames", () => {
    open();
    expect(labels[0]).toBe(`results are kept in ${out}`);
    expect(outputFolder("/nights/july", "automatic")).toMatch(/\/output\/july$/);
    expect(() => outputFolder(".", "automatic")).toThrow(/must not lie among the raw frames/);
    expect(listFrames(folder).skipped).toEqual(listFrames(demo).skipped);
  });

  it("shows itself: the lights in time, those that are not simply good, the calibration left out", () => {
    const words: string[] = [];
    displayTo(({ data }) => words.push(data["text/plain"]));
    show(night);
    show(selectLights(night, { filter: "OIII" }));
    displayTo(null);
    expect(words[0]).toMatch(/^The night of Kestrel Point Long.*: 18 frames: 14 keep, 4 reject/);
    expect(words[1]).toBe(
      "Lights that are not simply good: table of 5 rows with light, verdict, cause, evidence, remedy.",
    );
    expect(words[2]).toBe("Calibration left out: table of 4 rows with file, reason.");
    expect(words[3]).toMatch(/: 8 frames: 6 keep, 2 reject/);
    expect(words[4]).toMatch(/table of 2 rows/);
  });

  it("has every light with its verdict, and keeps the fourteen that are good enough", () => {
    expect(night.lights.length).toBe(18);
    expect(night.usable.length).toBe(14);
    expect(named(night, "OIII_300s_007").cause).toContain("cloud");
    expect(named(night, "Ha_300s_005").verdict).toBe("reject");
    expect(night.lights.every(({ decidedBy }) => decidedBy === "report")).toBe(true);
    expect(night.reference?.weight).toBeGreaterThan(0);
    expect(night.calibration.length).toBeGreaterThan(0);
    expect(Object.isFrozen(night)).toBe(true);
  });

  it("gives the flux of a light over the mean of those kept of its stack", () => {
    expect(named(night, "OIII_300s_007").fluxRatio).toBeCloseTo(0.5, 1);
    const kept = night.usable.filter(({ stack }) => stack === "Ha").map(({ fluxRatio }) => fluxRatio ?? NaN);
    expect(kept.reduce((sum, each) => sum + each, 0) / kept.length).toBeCloseTo(1, 9);
  });

  it("is an answer the second time: no file is opened, though all pixels have gone", () => {
    for (const { file, path } of listFrames(folder).records) {
      const { size, atime, mtime } = statSync(path);
      writeFileSync(path, new Uint8Array(size));
      utimesSync(path, atime, mtime);
      expect(statSync(path).size, file).toBe(size);
    }
    const again = open();
    expect(again.lights).toEqual(night.lights);
    expect(labels).not.toContain("measuring frames");
    expect(labels).not.toContain("reading files");
    expect(digests(stackNight(again))).toEqual(digests(stacks));
    cpSync(demo, folder, { recursive: true, preserveTimestamps: true });
  });

  it("lets a copy know that it has lost its files", () => {
    expect(() => stackNight({ ...night })).toThrow(/stackNight: night must come from openNight/);
  });
});

describe("stacks of a night", () => {
  it("come by name, cut alike, and a misspelt name is told which there are", () => {
    const { Ha, OIII } = stacks;
    expect([Ha.image.width, Ha.image.height]).toEqual([Ha.region.width, Ha.region.height]);
    expect(OIII.region).toEqual(Ha.region);
    expect(Ha.lights.length).toBe(8);
    expect(Ha.totalExposureSeconds).toBe(2400);
    expect(() => stacks.Halpha).toThrow('the night must have a stack "Halpha", but has Ha, OIII');
    expect(JSON.stringify(Object.keys(stacks))).toBe('["Ha","OIII"]');
  });

  it("are as deep as their lights promise", () => {
    const { frame, expected, measured } = stacks.Ha.noise;
    expect((measured ?? NaN) / expected).toBeCloseTo(1, 1);
    expect((measured ?? NaN) / frame).toBeCloseTo(0.32, 1);
  });

  it("are whole when nothing is cut off, and other settings ask anew", () => {
    const whole = stackNight(night, { crop: "none" }).Ha;
    expect(whole.image.width).toBe(night.lights[0].width);
    const plain = stackNight(selectLights(night, { filter: "Ha" }), {
      weights: "equal",
      normalise: "none",
      crop: "none",
    });
    expect(imageDigest(plain.Ha.image)).not.toBe(imageDigest(whole.image));
    expect(() => stackNight(night, { weights: () => -1 })).toThrow(/weights must be numbers ≥ 0, but got -1/);
    expect(() => stackNight(night, { crop: "some" as "none" })).toThrow(/crop must be one of common, none/);
  });
});

describe("lights of a night", () => {
  it("are narrowed by what is known of them, with the verdicts and weights of the whole night", () => {
    const [cloudy] = selectLights(night, { filter: "OIII", cause: "cloud" }).lights;
    expect(cloudy).toEqual(named(night, "OIII_300s_007"));
    expect(selectLights(night, { cause: "twilight" }).lights).toEqual([]);
    expect(selectLights(night, ({ weight }) => weight > 1).usable.every(({ weight }) => weight > 1)).toBe(true);
    expect(selectLights(night, { filter: "Ha" }).reference).toEqual(night.reference);
    expect(Object.keys(stackNight(selectLights(night, { filter: "Ha" })))).toEqual(["Ha"]);
    expect(imageDigest(stackNight(selectLights(night, { filter: "Ha" }), { crop: "none" }).Ha.image))
      .toBe(imageDigest(stackNight(night, { crop: "none" }).Ha.image));
    expect(() => selectLights(night, { filter: "Halpha" })).toThrow(/filter must be one of Ha, OIII/);
    expect(() => selectLights(night, { Filter: "Ha" } as object)).toThrow(/where must say filter, rig/);
  });

  it("are read as far along as one wants", () => {
    const [light] = night.usable;
    const raw = readLight(night, light, { stage: "raw" });
    const calibrated = readLight(night, light);
    const registered = readLight(night, light, { stage: "registered" });
    const normalised = readLight(night, light, { stage: "normalised" });
    expect(raw.history.nodes.at(-1)?.step).toBe("readFits");
    expect(calibrated.history.nodes.at(-1)?.step).toBe("calibrateFrame");
    expect(registered.history.nodes.at(-1)?.step).toBe("resample");
    expect(normalised.history.nodes.at(-1)?.step).toBe("applyNormalisation");
    expect([registered.width, registered.height]).toEqual([night.reference?.width, night.reference?.height]);
    const capped = named(night, "Ha_300s_008");
    expect(() => readLight(night, capped, { stage: "registered" })).toThrow(/must be registered for this stage/);
  });
});

describe("a person's word", () => {
  it("is taken over the report's, by a part of the name; nothing is measured again", () => {
    labels.length = 0;
    const decided = decideFrames(night, "reject Ha_300s_003 # satellite through the core");
    const light = named(decided, "Ha_300s_003");
    expect([light.verdict, light.decidedBy, light.weight]).toEqual(["reject", "person", 0]);
    expect(light.evidence).toContain("satellite through the core");
    expect(decided.usable.length).toBe(13);
    expect(decided.reference).toEqual(night.reference);
    expect(labels).toEqual([]);
    expect(named(night, "Ha_300s_003").weight).toBeGreaterThan(0);
    const weights = decided.usable.filter(({ stack }) => stack === "Ha").map(({ weight }) => weight);
    expect(weights.reduce((sum, each) => sum + each, 0) / weights.length).toBeCloseTo(1, 9);
    expect(stackNight(decided).Ha.lights.length).toBe(7);
    const back = decideFrames(decided, [{ file: light.file, verdict: "keep", reason: "" }]);
    expect(named(back, "Ha_300s_003").verdict).toBe("keep");
  });

  it("must fit one light", () => {
    expect(() => decideFrames(night, "keep _001")).toThrow(/"_001" fits .*Ha_300s_001.*OIII_300s_001/);
    expect(() => decideFrames(night, "keep nothing")).toThrow(/must name a light of the night, but got "nothing"/);
  });

  it("may stand in a file", () => {
    const file = join(base, "decisions.txt");
    writeFileSync(file, "# mine\nreject Ha_300s_003\n");
    expect(named(open({ decisions: file }), "Ha_300s_003").decidedBy).toBe("person");
  });
});

describe("masters of a night", () => {
  it("are those of its matches", () => {
    const [match] = night.matches;
    const made = makeMasters(match);
    const { dark, flat, defects } = match.masters;
    if (dark === null || flat === null || made.dark === null || made.flat === null) throw new TypeError("no masters");
    expect(imageDigest(made.dark)).toBe(imageDigest(dark));
    expect(imageDigest(made.flat)).toBe(imageDigest(flat));
    expect(made.defects).toEqual(defects);
    expect(matchCalibration(listFrames(folder).records).matches.length).toBe(night.matches.length);
  });

  it("may be replaced for some lights: those are measured again, the others are not", () => {
    const { flat } = night.matches.filter(({ group }) => group.filter === "OIII")[0].masters;
    if (flat === null) throw new TypeError("no flat");
    const dimmer = flat.planes[0].data.map((value, at) => value * (1 + 0.2 * (at % flat.width) / flat.width));
    const other = derive(flat, { planes: [{ channel: "L", data: dimmer }] }, { step: "tilt", options: {} });
    labels.length = 0;
    const replaced = replaceMasters(night, { flat: other }, { filter: "OIII" });
    expect(replaced.lights.filter(({ filter }) => filter === "Ha").map(({ quality }) => quality))
      .toEqual(night.lights.filter(({ filter }) => filter === "Ha").map(({ quality }) => quality));
    expect(named(replaced, "OIII_300s_001").quality?.background)
      .not.toBe(named(night, "OIII_300s_001").quality?.background);
    expect(named(replaceMasters(replaced, { flat }, { filter: "OIII" }), "OIII_300s_001").quality?.background)
      .toBeCloseTo(named(night, "OIII_300s_001").quality?.background ?? NaN, 6);
  });

  it("are refused when they cannot calibrate these lights", () => {
    const { dark } = night.matches[0].masters;
    if (dark === null) throw new TypeError("no dark");
    const small = derive(dark, {
      width: 2,
      height: 1,
      planes: [{ channel: "L", data: Float32Array.of(1, 2) }],
      mask: null,
      variance: null,
      coverage: null,
    }, { step: "small", options: {} });
    const display = derive(dark, { unit: "display" }, { step: "stretched", options: {} });
    expect(() => replaceMasters(night, { dark: small })).toThrow(/dark must have 912 × 684 pixels/);
    expect(() => replaceMasters(night, { dark: display })).toThrow(/must be linear/);
    expect(() => replaceMasters(night, { flat: dark })).toThrow(/flat must be a flat, but its header says dark/);
    expect(() => replaceMasters(night, { flat: null }, { filter: "SII" })).toThrow(/where must fit some lights/);
    expect(() => replaceMasters(night, { Flat: null } as object)).toThrow(/masters must be named/);
  });
});

/** Run a night as far as its stacks. */
function runToStacks(results: string): void {
  const stop = new Error("far enough");
  labels.length = 0;
  const run = () =>
    runNight(folder, {
      out: results,
      progress: ({ label }) => {
        labels.push(label);
        if (label === "processing") throw stop;
      },
    });
  expect(run).toThrow(stop);
}

describe("a run of a night that was opened", () => {
  it("is welcome in its output folder and measures nothing again", () => {
    runToStacks(out);
    expect(labels).not.toContain("measuring frames");
    expect(labels).not.toContain("local normalisation");
    expect(existsSync(join(out, "frames.csv"))).toBe(true);
    expect(readdirSync(join(out, "masters")).length).toBe(4);
  });

  it("has the stacks of a run that never was opened, byte for byte", () => {
    const results = join(base, "fresh");
    runToStacks(results);
    expect(labels).toContain("measuring frames");
    const files = readdirSync(join(results, "stacks"));
    expect(files.length).toBe(12);
    for (const file of files) {
      const [a, b] = [out, results].map((each) => readFileSync(join(each, "stacks", file)));
      expect(a.equals(b), file).toBe(true);
    }
    const { Ha } = stackNight(night, { crop: "none" });
    expect(imageDigest(readFits(join(results, "stacks", "Ha.fits")))).toBe(imageDigest(Ha.image));
  });

  it("refuses the output folder of another run", () => {
    runToStacks(out);
    const other = fileURLToPath(new URL("../../demo-data/pocket", import.meta.url));
    expect(() => runNight(other, { out })).toThrow(/holds the results of another night or version/);
    expect(() => openNight(folder, { out: base })).toThrow(/must be empty or hold a stopped run/);
  });
});
