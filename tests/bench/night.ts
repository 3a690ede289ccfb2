/**
 * Time and peak memory of a whole night: `deno run -A tests/bench/night.ts [--rig pocket|long] [--lights N] [--width N
 * --height N] [--filters Ha,OIII] [--distinct N] [--faults] [--folder DIR] [--keep] [--make]`. The night is simulated
 * once; the run is a process of its own. Without sizes: 200 colour lights of 2 Mpixel, or 12 mono lights of 26 Mpixel
 * through each filter. --make only makes the night, --faults puts each fault into it once. Exposing takes longer than
 * everything that is to be timed: with --distinct only N lights are exposed, spread over the night, and those between
 * are copies of the one before with noise of their own.
 *
 * Stages are told apart by the labels of progress; the peak of each is that since the last label, where the system
 * lets it be reset (Linux).
 */
import { execFileSync } from "node:child_process";
import { existsSync, mkdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import process from "node:process";
import { parseArgs } from "node:util";
import "../../lib/host/deno.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { readFits, runNight, writeFits } from "../../lib/mod.ts";
import { card, withCards } from "../../lib/core/header.ts";
import { derive, type Image } from "../../lib/core/image.ts";
import { borrowPlane, returnPlane } from "../../lib/core/memory.ts";
import { longNight, type PlannedLight, planSimulation, pocketNight } from "../../lib/simulate/plan_simulation.ts";
import { simulateNight } from "../../lib/simulate/simulate_night.ts";

const { values: options } = parseArgs({
  options: {
    rig: { type: "string", default: "pocket" },
    lights: { type: "string" },
    filters: { type: "string", default: "Ha" },
    distinct: { type: "string" },
    faults: { type: "boolean", default: false },
    width: { type: "string" },
    height: { type: "string" },
    folder: { type: "string", default: join(tmpdir(), "faintlight-night") },
    keep: { type: "boolean", default: false },
    make: { type: "boolean", default: false },
    run: { type: "boolean", default: false },
  },
});
const pocket = options.rig === "pocket";
const width = Number(options.width ?? (pocket ? 1920 : 6144));
const height = Number(options.height ?? (pocket ? 1080 : 4096));
const lights = Number(options.lights ?? (pocket ? 200 : 12));
const filters = pocket ? ["colour"] : options.filters.split(",");
const folder = join(options.folder, `${options.rig}-${lights}-${width}x${height}`);
const night = join(folder, "night");
const out = join(folder, "out");

/** Peak of the resident memory since the last call, GiB; since the start where it cannot be reset. */
function peak(): number {
  try {
    const kilobytes = Number(/VmHWM:\s+(\d+)/.exec(readFileSync("/proc/self/status", "utf8"))?.[1]);
    writeFileSync("/proc/self/clear_refs", "5");
    return kilobytes / 2 ** 20;
  } catch {
    return process.resourceUsage().maxRSS / 2 ** 20;
  }
}

function run(): void {
  const stages = new Map<string, { seconds: number; cpu: number; peak: number }>();
  let label = "start";
  let since = performance.now();
  let before = process.cpuUsage();
  const turn = (next: string) => {
    const now = performance.now();
    const used = process.cpuUsage(before);
    const old = stages.get(label);
    stages.set(label, {
      seconds: (old?.seconds ?? 0) + (now - since) / 1000,
      cpu: (old?.cpu ?? 0) + (used.user + used.system) / 1e6,
      peak: Math.max(old?.peak ?? 0, peak()),
    });
    // a long run tells how far it is
    console.error(
      `${label}: ${((now - since) / 1000).toFixed(1)} s, CPU ${((used.user + used.system) / 1e6).toFixed(1)} s`,
    );
    label = next;
    since = now;
    before = process.cpuUsage();
  };
  const { usableFrames } = runNight(night, {
    out,
    progress: (report) => {
      if (report.label !== label) turn(report.label);
    },
  });
  turn("");
  console.log("| stage (from its first report to the next stage's) | s | CPU, s | peak RSS, GiB |\n|---|---|---|---|");
  let seconds = 0;
  let cpu = 0;
  let most = 0;
  for (const [name, each] of stages) {
    seconds += each.seconds;
    cpu += each.cpu;
    most = Math.max(most, each.peak);
    if (each.seconds < 0.05) continue;
    console.log(`| ${name} | ${each.seconds.toFixed(1)} | ${each.cpu.toFixed(1)} | ${each.peak.toFixed(2)} |`);
  }
  console.log(`| ${usableFrames} lights in all | ${seconds.toFixed(1)} | ${cpu.toFixed(1)} | ${most.toFixed(2)} |`);
  const log = JSON.parse(readFileSync(join(out, "log.json"), "utf8")) as { readonly seconds: Record<string, number> };
  console.log(Object.entries(log.seconds).map(([name, each]) => `${name} ${each.toFixed(1)} s`).join(", "));
}

/** Expose the night. */
function make(): void {
  const plan = planSimulation(pocket ? pocketNight : longNight, {
    width,
    height,
    lights: Object.fromEntries(filters.map((filter) => [filter, lights])),
    darks: pocket ? 6 : 4,
    biases: pocket ? 6 : 4,
    flats: pocket ? 6 : 3,
    flatDarks: pocket ? 4 : 3,
    faults: options.faults ? "every" : [],
  });
  const distinct = Math.min(lights, Number(options.distinct ?? lights));
  const seen: Record<string, number> = {};
  const filterOf = (light: PlannedLight) => light.options.filter ?? "colour";
  const exposed = new Set(plan.lights.filter((light) => {
    const at = seen[filterOf(light)] ?? 0;
    seen[filterOf(light)] = at + 1;
    const first = Math.floor(at * distinct / lights) !== Math.floor((at - 1) * distinct / lights);
    return first || light.fileFault !== null || (light.options.fault ?? "none") !== "none";
  }));
  simulateNight(night, { ...plan, lights: plan.lights.filter((light) => exposed.has(light)) });
  const random = randomStream("copies");
  const noise = Float32Array.from({ length: 65_537 }, () => random.gaussian());
  const models = new Map<string, Image>();
  for (const light of plan.lights) {
    const path = join(night, light.file);
    if (exposed.has(light)) {
      const sound = light.fileFault === null && (light.options.fault ?? "none") === "none";
      if (sound || !models.has(filterOf(light))) models.set(filterOf(light), readFits(path));
      continue;
    }
    const model = models.get(filterOf(light)) as Image;
    const { data } = model.planes[0];
    const copy = borrowPlane(data.length);
    const start = Math.floor(65_537 * random.uniform());
    for (let i = 0; i < data.length; i++) {
      copy[i] = Math.min(65_535, Math.max(0, Math.round(data[i] + 3 * noise[(start + i * 7 + (i >> 16)) % 65_537])));
    }
    const image = derive(model, {
      planes: [{ channel: model.planes[0].channel, data: copy }],
      header: withCards(model.header, [card("DATE-OBS", light.options.dateUtc ?? "", "start of the exposure")]),
    }, { step: "copy", options: {} });
    writeFits(path, image, { bitpix: 16, compress: "RICE_1", record: false });
    returnPlane(copy);
  }
}

if (options.run) run();
else {
  if (!existsSync(join(folder, "made"))) {
    mkdirSync(folder, { recursive: true });
    make();
    writeFileSync(join(folder, "made"), "");
  }
  if (!options.make) {
    rmSync(out, { recursive: true, force: true });
    const args = process.argv.slice(2).filter((each) => each !== "--keep");
    const file = new URL(import.meta.url).pathname;
    console.log(execFileSync(process.execPath, ["run", "-A", file, ...args, "--run"], { encoding: "utf8" }));
    if (!options.keep) rmSync(folder, { recursive: true, force: true });
  }
}
