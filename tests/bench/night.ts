/**
 * Time and peak memory of a whole night: `deno run -A tests/bench/night.ts [--rig pocket|long] [--lights N] [--width N --height N]
 * [--folder DIR] [--keep] [--make]`. The night is simulated once; the run is a process of its own. Without sizes: 200 colour lights of
 * 2 Mpixel, or 12 mono lights of 26 Mpixel. --make only makes the night.
 *
 * Stages are told apart by the labels of progress; the peak of each is that since the last label, where the system lets it be
 * reset (Linux).
 */
import { execFileSync } from "node:child_process";
import { existsSync, mkdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import process from "node:process";
import { parseArgs } from "node:util";
import { runNight } from "../../lib/mod.ts";
import { longNight, planNight, pocketNight } from "../../lib/simulate/plan_night.ts";
import { simulateNight } from "../../lib/simulate/simulate_night.ts";

const { values: options } = parseArgs({
  options: {
    rig: { type: "string", default: "pocket" },
    lights: { type: "string" },
    width: { type: "string" },
    height: { type: "string" },
    folder: { type: "string", default: join(tmpdir(), "faintlight-night") },
    keep: { type: "boolean", default: false },
    make: { type: "boolean", default: false },
    run: { type: "boolean", default: false },
  },
});
const pocket = options.rig === "pocket";
const width = Number(options.width ?? (pocket ? 1920 : 6248)),
  height = Number(options.height ?? (pocket ? 1080 : 4176));
const lights = Number(options.lights ?? (pocket ? 200 : 12));
const folder = join(options.folder, `${options.rig}-${lights}-${width}x${height}`), night = join(folder, "night");
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
  let label = "start", since = performance.now(), before = process.cpuUsage();
  const turn = (next: string) => {
    const now = performance.now(), used = process.cpuUsage(before), old = stages.get(label);
    stages.set(label, {
      seconds: (old?.seconds ?? 0) + (now - since) / 1000,
      cpu: (old?.cpu ?? 0) + (used.user + used.system) / 1e6,
      peak: Math.max(old?.peak ?? 0, peak()),
    });
    label = next;
    since = now;
    before = process.cpuUsage();
  };
  const { usableFrames } = runNight({
    folder: night,
    out,
    progress: (report) => {
      if (report.label !== label) turn(report.label);
    },
  });
  turn("");
  console.log("| stage (from its first report to the next stage's) | s | CPU, s | peak RSS, GiB |\n|---|---|---|---|");
  let seconds = 0, cpu = 0, most = 0;
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

if (options.run) run();
else {
  if (!existsSync(join(folder, "made"))) {
    mkdirSync(folder, { recursive: true });
    const base = pocket ? pocketNight : longNight;
    const plan = planNight(base, {
      width,
      height,
      lights: pocket ? { colour: lights } : { Ha: lights },
      darks: 6,
      biases: 6,
      flats: 6,
      flatDarks: 4,
      faults: [],
    });
    simulateNight(night, plan);
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
