/**
 * How well does the night report judge? Simulated nights of both rigs with known faults: recall of frames that must
 * go, good frames rejected, causes named right.
 *
 *     deno run -A tests/bench/judge_nights.ts [--nights 12] [--rig Long] [--seeds judged] [--workers N] [--show] [--rows FOLDER]
 *
 * `--nights` is for each rig; 12 make 1056 good frames and 528 with faults. The seeds `judged …` are for telling
 * figures only: nothing was tuned on them. Change limits with `--seeds tuned` and look at the others afterwards.
 * `--show` lists every frame judged wrongly; `--rows FOLDER` keeps the measurements there, so that a change of the
 * judgement alone can be looked at without measuring anew.
 *
 * Strengths are drawn from ranges that begin where a frame does harm: a transparency of half, stars 1.4 times as wide,
 * an axis ratio of 1.5, a trail of field rotation longer than a star is wide. Frames are calibrated by masters of four
 * darks and four flats, as a run does.
 */
import { existsSync, mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import process from "node:process";
import { parseArgs } from "node:util";
import { deserialize, serialize } from "node:v8";
import "../../lib/host/deno.ts";
import { parallelMap, type PoolTask, setWorkerCount } from "../../lib/doors/parallel.ts";
import type { Cause } from "../../lib/doors/parts.ts";
import {
  type FaultName,
  type FaultSettings,
  knownFaults,
  lanternScene,
  lanternSceneFor,
  longNight,
  planSimulation,
  pocketNight,
  type Rig,
  type Scene,
  simulateCalibration,
  simulateFrame,
} from "../../lib/doors/simulate.ts";
import { type RandomStream, randomStream } from "../../lib/doors/stats.ts";
import { lostRowShare } from "../../lib/measure/lost_rows.ts";
import {
  calibrateFrame,
  combineDark,
  combineFlat,
  diagnoseNight,
  findDefects,
  type FrameDiagnosis,
  type Image,
  measureFrame,
  type NightRow,
  type SimulateFrameOptions,
} from "../../lib/mod.ts";
import { describeFrame } from "../../lib/io/describe_frame.ts";

/**
 * Frames of a night: the rigs' formats cut to a size that makes a run of minutes, with the number of stars of the
 * whole.
 */
const width = 608;
const height = 456;
const goodFrames = 44;
const faultyFrames = 22;
const starsToMagnitude15 = 2200;

/** What may strike, how strongly, and what is to be named. */
type Strike =
  | FaultName
  | "lost-rows"
  | "cloud-and-drift"
  | "cloud-and-jump"
  | "satellite-and-drift"
  | "cloud-and-defocus";

interface Struck {
  readonly name: Strike;
  readonly options: Partial<SimulateFrameOptions>;
  readonly causes: readonly Cause[];
  readonly verdict: "reject" | "kept" | "either";
}

const strikes: readonly Strike[] = [
  ...(Object.keys(knownFaults) as FaultName[]).filter((name) => name !== "none"),
  "lost-rows",
  "cloud-and-drift",
  "cloud-and-jump",
  "satellite-and-drift",
  "cloud-and-defocus",
];

function settingsOf(name: FaultName, random: RandomStream): FaultSettings {
  const between = (low: number, high: number) => low + (high - low) * random.uniform();
  const degrees = between(0, 360);
  switch (name) {
    case "cloud":
      return { opacity: between(0.75, 2.6), light: between(0.5, 2.5) };
    case "dark-cloud":
      return { opacity: between(0.75, 2.6), light: between(-0.4, 0) };
    case "dew":
      return { opacity: between(0.35, 1), halo: between(0.25, 0.5), widening: between(1.25, 1.6) };
    case "defocus":
      return { ringPixels: between(3.8, 8) };
    case "focus-drift":
      return { ringPixels: between(2.2, 3) };
    case "poor-seeing":
      return { widening: between(1.5, 1.9) };
    case "drift":
      return { lengthPixels: between(5.5, 14), degrees };
    case "field-rotation":
      return { degrees: between(0.8, 2.5) };
    case "guiding-jump": {
      const far = between(5, 12);
      const angle = degrees * Math.PI / 180;
      return { dxPixels: far * Math.cos(angle), dyPixels: far * Math.sin(angle), share: between(0.25, 0.75) };
    }
    case "wind":
      return { sigmaPixels: between(1.5, 3), degrees, flattening: between(0.3, 0.8) };
    case "tilt":
      return { tilt: between(0.8, 2) };
    case "dispersion":
      return { altitudeDegrees: between(12, 17) };
    case "obstruction":
      return { share: between(0.3, 0.65), degrees, softness: between(0.1, 0.5) };
    case "off-target":
      return { widths: between(0.7, 1), degrees };
    case "twilight":
      return { ratio: between(9, 30) };
    case "satellite":
      return { electronsPerPixel: between(300, 1200), degrees };
    case "aircraft":
      return {
        electronsPerPixel: between(400, 1200),
        degrees,
        doublePixels: between(5, 14),
        blinkPixels: between(25, 80),
      };
    default:
      return {};
  }
}

function strike(name: Strike, random: RandomStream): Struck {
  const cloud = { opacity: 0.75 + random.uniform(), cloudLight: 2 * random.uniform() };
  const both = (fault: FaultName, options: Partial<SimulateFrameOptions>, other: Cause): Struck => ({
    name,
    options: { fault, faultSettings: settingsOf(fault, random), ...options },
    causes: [other, knownFaults[fault].cause as Cause],
    verdict: "reject",
  });
  switch (name) {
    case "lost-rows":
      return { name, options: {}, causes: ["corrupt file"], verdict: "reject" };
    case "cloud-and-drift":
      return both("drift", cloud, "cloud");
    case "cloud-and-jump":
      return both("guiding-jump", cloud, "cloud");
    case "cloud-and-defocus":
      return both("defocus", cloud, "cloud");
    case "satellite-and-drift": {
      const through = [width * (0.3 + 0.4 * random.uniform()), height * (0.3 + 0.4 * random.uniform())] as const;
      const streak = {
        through,
        degrees: 360 * random.uniform(),
        electronsPerPixel: 700,
        doublePixels: 0,
        blinkPixels: 0,
      };
      return both("drift", { streaks: [streak] }, "satellite or aircraft");
    }
    default: {
      const fault = knownFaults[name];
      return {
        name,
        options: { fault: name, faultSettings: settingsOf(name, random) },
        causes: [fault.cause as Cause],
        verdict: fault.keep ? "kept" : name === "dispersion" ? "either" : "reject",
      };
    }
  }
}

/** A frame to expose and measure. */
export interface JudgeJob {
  readonly rig: Rig;
  readonly filter: string;
  readonly exposureSeconds: number;
  readonly strike: Strike | "none";
  readonly options: Partial<SimulateFrameOptions>;
}

const scenes = new Map<string, Scene>();
const masters = new Map<string, { dark: Image; flat: Image; defects: Uint8Array }>();

const known = <T>(map: Map<string, T>, key: string, make: () => T): T => {
  const found = map.get(key) ?? make();
  map.set(key, found);
  return found;
};

/** A frame measured, with what is true about it. */
export interface JudgeRow {
  readonly row: NightRow;
  /** Width of its stars over what it would be without the fault. */
  readonly widening: number;
  /** Long over short axis. */
  readonly axisRatio: number;
}

/** Expose, calibrate and measure one frame. Runs in a worker. */
export function judgeFrame({ rig, filter, exposureSeconds, strike, options }: JudgeJob): JudgeRow {
  const scene = strike === "off-target"
    ? known(scenes, `${rig.name} wide`, () => lanternScene({ halfSizeArcsec: 2400, stepArcsec: 7, starsToMagnitude15 }))
    : known(scenes, rig.name, () => lanternSceneFor(rig, { starsToMagnitude15 }));
  const { image, truth } = simulateFrame(rig, scene, options);
  if (strike === "lost-rows") image.planes[0].data.fill(0, Math.floor(0.7 * width * height));
  const temperatureC = rig.setTemperatureC ?? 14.4;
  const master = known(masters, `${rig.name} ${filter} ${exposureSeconds}`, () => {
    const four = [1, 2, 3, 4].map((seed) => `master ${seed}`);
    const make = (kind: "dark" | "flat" | "flat-dark", exposureSeconds: number | null) =>
      four.map((seed) =>
        simulateCalibration(rig, { kind, seed, temperatureC, exposureSeconds, ...(kind === "dark" ? {} : { filter }) })
          .image
      );
    const dark = combineDark(make("dark", exposureSeconds));
    const flat = combineFlat(make("flat", null), { dark: combineDark(make("flat-dark", null)) });
    return { dark, flat, defects: findDefects({ dark, flat }).mask };
  });
  const facts = describeFrame(image.header);
  const record = {
    ...facts,
    path: `${options.seed}`,
    file: `${options.seed}`,
    bytes: 0,
    session: "",
    width: rig.width,
    height: rig.height,
    rig: rig.name,
    bayer: rig.bayer,
  };
  const calibrated = calibrateFrame(image, master, { saturationLevel: facts.fullScaleAdu });
  const quality = measureFrame(calibrated, facts);
  const constantShare = Math.max(quality.constantShare, lostRowShare(image));
  return {
    row: { record, quality: { ...quality, constantShare }, darkLevel: 0, digest: `${options.seed} ${truth.fault}` },
    widening: truth.effectiveFwhmPixels * truth.arcsecPerPixel / (options.fwhmArcsec ?? rig.fwhmArcsec),
    axisRatio: 1 / Math.sqrt(1 - truth.eccentricity ** 2),
  };
}

const judgeFrameTask: PoolTask<JudgeJob, JudgeRow> = { module: import.meta.url, name: "judgeFrame", run: judgeFrame };

interface Judged {
  readonly rig: string;
  readonly struck: Struck | null;
  readonly diagnosis: FrameDiagnosis;
}

/** Faults that do harm by shape and width alone. */
const shapeFaults: ReadonlySet<Strike> = new Set(["drift", "wind", "focus-drift", "poor-seeing", "defocus"]);

function judgeNight(base: "Long" | "Pocket", number: number, seeds: string, folder: string | undefined): Judged[] {
  const seed = `${seeds} ${base} ${number}`;
  const random = randomStream(seed);
  const count = goodFrames + faultyFrames;
  // every sixth night of the Long rig is through a broad filter, where air can disperse the light
  const filter = base === "Pocket" ? "colour" : number % 6 === 5 ? "L" : number % 2 === 0 ? "Ha" : "OIII";
  const plan = planSimulation(base === "Long" ? longNight : pocketNight, {
    seed,
    width,
    height,
    lights: { [filter]: count },
    faults: [],
    calibrationFaults: [],
    ...(base === "Long" ? { cadenceSeconds: 332 * 60 / count } : {}),
  });
  const places = Array.from({ length: count }, (_, i) => i);
  for (let i = count - 1; i > 0; i--) {
    const j = Math.floor(random.uniform() * (i + 1));
    [places[i], places[j]] = [places[j], places[i]];
  }
  const faulty = new Map<number, Struck>();
  const possible = strikes.filter((name) => name !== "dispersion" || filter === "L");
  for (let i = 0; i < faultyFrames; i++) {
    faulty.set(places[i], strike(possible[(i + number * faultyFrames) % possible.length], random));
  }
  const jobs = plan.lights.map((light, at): JudgeJob => {
    const struck = faulty.get(at);
    const exposureSeconds = filter === "L" ? 30 : light.options.exposureSeconds ?? 0;
    const options = { ...light.options, exposureSeconds, ...struck?.options };
    return {
      rig: plan.rig,
      filter: base === "Pocket" ? "" : filter,
      exposureSeconds,
      strike: struck?.name ?? "none",
      options,
    };
  });
  const file = folder === undefined ? null : join(folder, `${seed}.rows`);
  const rows = file !== null && existsSync(file)
    ? deserialize(readFileSync(file)) as JudgeRow[]
    : parallelMap(judgeFrameTask, jobs);
  if (file !== null && !existsSync(file)) writeFileSync(file, serialize(rows));
  const { frames } = diagnoseNight(rows.map((each) => each.row));
  return frames.map((diagnosis, at) => {
    const struck = faulty.get(at) ?? null;
    const { widening, axisRatio } = rows[at];
    // gusts are drawn at random: some do less harm than the range of strengths promises
    const harmless = struck !== null && shapeFaults.has(struck.name) && widening < 1.4 && axisRatio < 1.5;
    return { rig: base, struck: harmless ? { ...struck, verdict: "either" } : struck, diagnosis };
  });
}

/** Whether the text of the causes names a cause; alternatives that it says it cannot tell apart count. */
const names = (diagnosis: FrameDiagnosis, cause: Cause): boolean => diagnosis.cause.includes(cause);

function main(): void {
  const { values } = parseArgs({
    options: {
      nights: { type: "string", default: "12" },
      rig: { type: "string" },
      seeds: { type: "string", default: "judged" },
      workers: { type: "string" },
      rows: { type: "string" },
      show: { type: "boolean", default: false },
    },
  });
  if (values.workers !== undefined) setWorkerCount(Number(values.workers));
  if (values.rows !== undefined) mkdirSync(values.rows, { recursive: true });
  const all: Judged[] = [];
  const rigs = (["Long", "Pocket"] as const).filter((rig) => (values.rig ?? rig) === rig);
  for (let number = 0; number < Number(values.nights); number++) {
    for (const rig of rigs) all.push(...judgeNight(rig, number, values.seeds, values.rows));
    console.error(`night ${number + 1} of ${values.nights}`);
  }
  const share = (part: number, whole: number) =>
    `${part} of ${whole} (${(100 * part / Math.max(1, whole)).toFixed(1)} %)`;
  const rejected = (each: Judged) => each.diagnosis.verdict === "reject";
  const right = (each: Judged) =>
    each.struck !== null && each.struck.causes.every((cause) => names(each.diagnosis, cause));
  const first = (each: Judged) => each.struck !== null && each.struck.causes.includes(each.diagnosis.causes[0]);
  const part = (list: readonly Judged[], test: (each: Judged) => boolean) =>
    share(list.filter(test).length, list.length);
  for (const rig of rigs.length > 1 ? [...rigs, "both"] : rigs) {
    const list = all.filter((each) => rig === "both" || each.rig === rig);
    const good = list.filter((each) => each.struck === null);
    const faulty = list.filter((each) => each.struck !== null);
    console.log(`\n${rig}: ${good.length} good and ${faulty.length} faulty frames, seeds "${values.seeds}"`);
    console.log(
      `  that must go and are rejected: ${part(faulty.filter((each) => each.struck?.verdict === "reject"), rejected)}`,
    );
    console.log(`  good and rejected:             ${part(good, rejected)}`);
    console.log(`  good and given less weight:    ${part(good, (each) => each.diagnosis.verdict === "down-weight")}`);
    console.log(
      `  to be kept and rejected:       ${part(faulty.filter((each) => each.struck?.verdict === "kept"), rejected)}`,
    );
    console.log(`  all true causes named:         ${part(faulty, right)}`);
    console.log(`  the first cause is a true one: ${part(faulty, first)}`);
  }
  console.log("\nfault                 frames  rejected  named  named instead");
  for (const name of strikes) {
    const list = all.filter((each) => each.struck?.name === name);
    if (list.length === 0) continue;
    const wrong = list.filter((each) => !right(each)).map((each) => `${each.rig[0]}: ${each.diagnosis.cause}`);
    const counts = [...new Set(wrong)].map((cause) => `${wrong.filter((each) => each === cause).length} ${cause}`);
    const number = (n: number, digits: number) => String(n).padStart(digits);
    console.log(
      `${name.padEnd(22)}${number(list.length, 6)}${number(list.filter(rejected).length, 10)}${
        number(list.filter(right).length, 7)
      }  ${counts.join(" | ")}`,
    );
  }
  if (!values.show) return;
  const harm = (each: Judged) =>
    each.struck === null
      ? each.diagnosis.verdict !== "keep"
      : !right(each) || (each.struck.verdict === "reject" && !rejected(each)) ||
        (each.struck.verdict === "kept" && rejected(each));
  for (const each of all.filter(harm)) {
    const { diagnosis, struck, rig } = each;
    console.log(
      `\n${rig} ${diagnosis.file}: ${struck?.name ?? "good"} ${JSON.stringify(struck?.options.faultSettings ?? {})}`,
    );
    console.log(`  ${diagnosis.verdict}: ${diagnosis.cause}; ${diagnosis.evidence}`);
  }
}

if (import.meta.main) {
  main();
  process.exit(0);
}
