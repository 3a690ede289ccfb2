/** Makes the demo nights, byte for byte, or larger ones. */
import { createHash } from "node:crypto";
import { existsSync, readdirSync, readFileSync, rmSync, statSync } from "node:fs";
import process from "node:process";
import { parseArgs } from "node:util";
import "../host/deno.ts";
import { writeWhole } from "../io/write_whole.ts";
import { longNight, planSimulation, type PlanSimulationOptions, pocketNight } from "../simulate/plan_simulation.ts";
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

function main(): void {
  const { values } = parseArgs({
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
  });
  if (values.help) {
    console.log(usage);
    return;
  }
  if (values.size !== "demo" && values.size !== "large") {
    throw new RangeError(`demo-data: --size must be demo or large, but got ${values.size}`);
  }
  // only what an earlier run has made is replaced: its manifest lies beside the nights
  for (const name of ["long", "pocket"]) {
    if (existsSync(`${values.out}/${name}`) && !existsSync(`${values.out}/manifest.json`)) {
      throw new RangeError(
        `demo-data: --out must be a folder of demo nights or hold no "${name}", but ${values.out}/${name} exists without a manifest.json; choose another folder`,
      );
    }
  }
  const started = performance.now();
  // a night that is not made again keeps its place in the manifest
  const old: { nights: Night[] } = existsSync(`${values.out}/manifest.json`)
    ? JSON.parse(readFileSync(`${values.out}/manifest.json`, "utf8"))
    : { nights: [] };
  const nights: Night[] = old.nights.filter((each) =>
    values.rig !== undefined && each.rig.toLowerCase() !== values.rig
  );
  for (const [name, base] of [["long", longNight], ["pocket", pocketNight]] as const) {
    if (values.rig !== undefined && values.rig !== name) continue;
    const size = values.size === "large" ? larger[name] : {};
    const count = number("--lights", values.lights);
    const lights = count === 0
      ? size.lights ?? base.lights
      : Object.fromEntries(Object.keys(base.lights).map((each) => [each, count]));
    const asked = values.faults === "every"
      ? "every" as const
      : values.faults === "none"
      ? []
      : size.faults ?? base.faults;
    const total = Object.values(lights).reduce((sum, each) => sum + each, 0);
    const faults = asked === "every" ? asked : asked.filter((each) => each.light < total);
    const plan = planSimulation(base, {
      ...size,
      width: number("--width", values.width) || size.width,
      height: number("--height", values.height) || size.height,
      pixelMicrometres: number("--pixel", values.pixel) || size.pixelMicrometres,
      lights,
      faults,
      seed: values.seed ?? base.seed,
    });
    const folder = `${values.out}/${name}`;
    rmSync(folder, { recursive: true, force: true });
    const truth = simulateNight(folder, plan, {
      progress: ({ label, done, total, note }) => {
        if (done === total || done % 10 === 0) console.log(`${label}: ${done} of ${total} (${note})`);
      },
    });
    const files = filesUnder(folder).map((file) => {
      const bytes = readFileSync(`${folder}/${file}`);
      return { file: `${name}/${file}`, bytes: bytes.length, sha256: createHash("sha256").update(bytes).digest("hex") };
    });
    nights.push({ rig: truth.rig, seed: String(values.seed ?? base.seed), files });
    const megabytes = files.reduce((sum, each) => sum + each.bytes, 0) / 1e6;
    console.log(`${folder}: ${files.length} files, ${megabytes.toFixed(1)} MB`);
  }
  const manifest = {
    origin: "made by the seeded simulator of this project; no real sky, place, club or instrument",
    licence: "CC0-1.0",
    command: "deno task demo-data",
    nights,
  };
  nights.sort((a, b) => a.rig < b.rig ? -1 : 1);
  writeWhole(`${values.out}/manifest.json`, `${JSON.stringify(manifest, null, 1)}\n`);
  console.log(`done in ${((performance.now() - started) / 1000).toFixed(1)} s`);
}

try {
  main();
} catch (error) {
  console.error(error instanceof Error ? error.message : error);
  process.exitCode = 2;
}
