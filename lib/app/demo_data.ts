/** Makes the demo nights, byte for byte, or larger ones. */
import { createHash } from "node:crypto";
import { existsSync, readdirSync, readFileSync, rmSync, statSync } from "node:fs";
import process from "node:process";
import { parseArgs } from "node:util";
import "../host/deno.ts";
import { writeWhole } from "../io/write_whole.ts";
import {
  longNight,
  planSimulation,
  type PlanSimulationOptions,
  pocketNight,
  type SimulationPlan,
} from "../simulate/plan_simulation.ts";
import { simulateNight } from "../simulate/simulate_night.ts";

const usage = `Make the demo nights of the Kestrel Point club.

deno task demo-data                          the nights that ship, into demo-data/
deno task demo-data --size large --out DIR   larger nights

  --size demo|large   size of the nights (demo)
  --out DIR           where they go (demo-data)
  --rig long|pocket   one rig only
  --width N --height N --pixel UM   format of the sensor
  --lights N          lights through each filter
  --faults demo|every|none   which faults (demo; large: every)
  --seed TEXT         seed of the night
`;

/** Larger nights: finer pixels over a wider field, more frames, every fault. */
const larger: { readonly [rig: string]: Partial<PlanSimulationOptions> } = {
  long: {
    width: 3072,
    height: 2304,
    pixelMicrometres: 3,
    lights: { Ha: 24, OIII: 24 },
    darks: 12,
    biases: 20,
    flats: 12,
    flatDarks: 8,
    faults: "every",
  },
  pocket: {
    width: 1920,
    height: 1440,
    lights: { colour: 200 },
    cadenceSeconds: 30,
    darks: 20,
    biases: 20,
    flats: 15,
    faults: "every",
  },
};

/** A night in the manifest. */
interface Night {
  readonly rig: string;
  readonly seed: string;
  readonly files: readonly { file: string; bytes: number; sha256: string }[];
}

const number = (name: string, text: string | undefined): number => {
  const value = Number(text ?? 0);
  if (!(value >= 0)) throw new RangeError(`demo-data: ${name} must be a number ≥ 0, but got ${text}`);
  return value;
};

function filesUnder(folder: string, prefix = ""): string[] {
  return readdirSync(`${folder}/${prefix}`).sort().flatMap((name) => {
    const path = prefix === "" ? name : `${prefix}/${name}`;
    return statSync(`${folder}/${path}`).isDirectory() ? filesUnder(folder, path) : [path];
  });
}

function askedFor() {
  return parseArgs({
    options: {
      size: { type: "string", default: "demo" },
      out: { type: "string", default: "demo-data" },
      rig: { type: "string" },
      width: { type: "string" },
      height: { type: "string" },
      pixel: { type: "string" },
      lights: { type: "string" },
      faults: { type: "string" },
      seed: { type: "string" },
      help: { type: "boolean", default: false },
    },
  }).values;
}

type Asked = ReturnType<typeof askedFor>;

const bases = { long: longNight, pocket: pocketNight };
type BaseName = keyof typeof bases;

/** Only what an earlier run has made is replaced: its manifest lies beside the nights. */
function requireOurFolder(out: string): void {
  for (const name of Object.keys(bases)) {
    if (existsSync(`${out}/${name}`) && !existsSync(`${out}/manifest.json`)) {
      throw new RangeError(
        `demo-data: --out must be a folder of demo nights or hold no "${name}", but ${out}/${name} exists without ` +
          "a manifest.json; choose another folder",
      );
    }
  }
}

/** The plan of a night with what was asked to be different. */
function planOf(name: BaseName, asked: Asked): SimulationPlan {
  const base = bases[name];
  const size = asked.size === "large" ? larger[name] : {};
  const count = number("--lights", asked.lights);
  const lights = count === 0
    ? size.lights ?? base.lights
    : Object.fromEntries(Object.keys(base.lights).map((each) => [each, count]));
  const total = Object.values(lights).reduce((sum, each) => sum + each, 0);
  const wanted = asked.faults === "every" ? "every" : asked.faults === "none" ? [] : size.faults ?? base.faults;
  return planSimulation(base, {
    ...size,
    width: number("--width", asked.width) || size.width,
    height: number("--height", asked.height) || size.height,
    pixelMicrometres: number("--pixel", asked.pixel) || size.pixelMicrometres,
    lights,
    faults: wanted === "every" ? wanted : wanted.filter((each) => each.light < total),
    seed: asked.seed ?? base.seed,
  });
}

/** Make a night anew and say what files it has. */
function makeNight(name: BaseName, asked: Asked): Night {
  const folder = `${asked.out}/${name}`;
  rmSync(folder, { recursive: true, force: true });
  const truth = simulateNight(folder, planOf(name, asked), {
    progress: ({ label, done, total, note }) => {
      if (done === total || done % 10 === 0) console.log(`${label}: ${done} of ${total} (${note})`);
    },
  });
  const files = filesUnder(folder).map((file) => {
    const bytes = readFileSync(`${folder}/${file}`);
    return { file: `${name}/${file}`, bytes: bytes.length, sha256: createHash("sha256").update(bytes).digest("hex") };
  });
  const megabytes = files.reduce((sum, each) => sum + each.bytes, 0) / 1e6;
  console.log(`${folder}: ${files.length} files, ${megabytes.toFixed(1)} MB`);
  return { rig: truth.rig, seed: String(asked.seed ?? bases[name].seed), files };
}

function main(): void {
  const asked = askedFor();
  if (asked.help) {
    console.log(usage);
    return;
  }
  if (asked.size !== "demo" && asked.size !== "large") {
    throw new RangeError(`demo-data: --size must be demo or large, but got ${asked.size}`);
  }
  requireOurFolder(asked.out);
  const started = performance.now();
  const manifestFile = `${asked.out}/manifest.json`;
  const old: { nights: Night[] } = existsSync(manifestFile)
    ? JSON.parse(readFileSync(manifestFile, "utf8"))
    : { nights: [] };
  const names = (Object.keys(bases) as BaseName[]).filter((name) => asked.rig === undefined || asked.rig === name);
  const made = names.map((name) => makeNight(name, asked));
  // a night that is not made again keeps its place in the manifest
  const kept = old.nights.filter((each) => asked.rig !== undefined && each.rig.toLowerCase() !== asked.rig);
  const manifest = {
    origin: "made by the seeded simulator of this project; no real sky, place, club or instrument",
    licence: "CC0-1.0",
    command: "deno task demo-data",
    nights: [...kept, ...made].sort((a, b) => a.rig < b.rig ? -1 : 1),
  };
  writeWhole(manifestFile, `${JSON.stringify(manifest, null, 1)}\n`);
  console.log(`done in ${((performance.now() - started) / 1000).toFixed(1)} s`);
}

try {
  main();
} catch (error) {
  console.error(error instanceof Error ? error.message : error);
  process.exitCode = 2;
}
