/**
 * `deno task bench [--size 2|26] [--rounds N] [--only WORDS]`: each kernel against its plain twin, on this thread and
 * on two workers. `deno task bench --peers FOLDER [--data DIR]`: at 26 Mpixel in the same run also the C programs
 * (limit.c) and the Python peers (peers.py, gen.py) that lie in FOLDER, every one once a round in turn, best of the
 * rounds. PEER_PYTHON names an interpreter with numpy, scipy, astropy and OpenCV. What cannot be had is named and left
 * out.
 */
import { spawnSync } from "node:child_process";
import { existsSync, mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import process from "node:process";
import { parseArgs } from "node:util";
import "../../lib/host/deno.ts";
import { borrowPlane } from "../../lib/core/memory.ts";
import { randomStream } from "../../lib/core/random.ts";
import { pack } from "../../lib/kernels/bands.ts";
import { blurPlane, gaussianTaps } from "../../lib/kernels/blur.ts";
import { correctFrame } from "../../lib/kernels/correct.ts";
import { extremumPlane } from "../../lib/kernels/extremum_filter.ts";
import { applySurface } from "../../lib/kernels/surface.ts";
import { type KernelKind, setKernelKind } from "../../lib/kernels/machine.ts";
import { closePool, parallelMap, setWorkerCount } from "../../lib/parallel/pool.ts";
import { groupedPixels, moderatedCentres, moderatedVerdicts } from "../../lib/kernels/moderate.ts";
import { sumKept } from "../../lib/kernels/sum_kept.ts";
import { moderatedLimits, priorFreedom } from "../../lib/stats/moderated_limit.ts";
import { starletScale } from "../../lib/kernels/starlet.ts";
import { warpPlane } from "../../lib/kernels/warp_plane.ts";
import { clipTask } from "./clip_files.ts";

const { values: options } = parseArgs({
  options: {
    size: { type: "string", default: "2" },
    rounds: { type: "string", default: "3" },
    peers: { type: "string" },
    data: { type: "string" },
    only: { type: "string", default: "" },
  },
});
const rounds = Number(options.rounds);
const large = options.size === "26" || options.peers !== undefined;
const width = large ? 6144 : 1920;
const height = large ? 4096 : 1080;
const count = width * height;
const letter = large ? "L" : "S";

interface Arrays {
  readonly raw: Uint8Array;
  readonly dark: Float32Array;
  readonly flat: Float32Array;
  readonly image: Float32Array;
}

function invented(): Arrays {
  const random = randomStream("bench");
  const noise = Float32Array.from({ length: 65_537 }, () => random.gaussian());
  const plane = (level: number, sigma: number) => {
    const out = borrowPlane(count);
    for (let i = 0; i < count; i++) out[i] = level + sigma * noise[(i * 7) % 65_537];
    return out;
  };
  const image = plane(1000, 25);
  const raw = new Uint8Array(borrowPlane(Math.ceil(count / 2)).buffer, 0, 2 * count);
  for (let i = 0; i < count; i++) {
    const v = Math.round(image[i] + 200) ^ 0x8000;
    raw[2 * i] = v >> 8;
    raw[2 * i + 1] = v;
  }
  return { raw, dark: plane(200, 3), flat: plane(1, 0.01), image };
}

/** The arrays that gen.py wrote. */
function stored(data: string): Arrays {
  const floats = (name: string) => {
    const plane = borrowPlane(count);
    new Uint8Array(plane.buffer).set(readFileSync(join(data, `${name}-${letter}.f32`)));
    return plane;
  };
  const raw = new Uint8Array(borrowPlane(Math.ceil(count / 2)).buffer, 0, 2 * count);
  raw.set(readFileSync(join(data, `light-${letter}.fits`)).subarray(2880, 2880 + 2 * count));
  return { raw, dark: floats("dark"), flat: floats("flat"), image: floats("image") };
}

interface Task {
  readonly name: string;
  readonly run: (kind: KernelKind) => void;
  /** Task and number of frames of limit.c; Python peer of peers.py; goals against the C program and the peer. */
  readonly limit?: readonly [string, number];
  readonly peer?: string;
  readonly goal?: readonly [number, number];
}

function tasks(arrays: Arrays, data: string | null): Task[] {
  const { raw, dark, flat, image } = arrays;
  const out = borrowPlane(count);
  const spare = borrowPlane(count);
  const details = [0, 1, 2, 3, 4, 5].map(() => borrowPlane(count));
  // The first touch of fresh memory belongs to no kernel.
  for (const each of [out, spare, ...details]) each.fill(0);
  const taps = gaussianTaps(3);
  const turn = 0.3 * Math.PI / 180;
  const c = Math.cos(turn);
  const s = Math.sin(turn);
  const turned = { kind: "similarity" as const, matrix: [c, -s, 7.3, s, c, -4.6, 0, 0, 1] as const };
  const terms = Array.from({ length: 15 }, (_, k) => 1 / (k + 1));
  const surface = { terms, centreX: width / 2, centreY: height / 2, radius: width / 2 };
  const nodes = Float64Array.from({ length: 16 * 12 }, (_, k) => Math.sin(k));
  const grid = { nodes, columns: 16, rows: 12, originX: 0, originY: 0, spacing: width / 15 };
  const list: Task[] = [
    {
      name: "calibrate from uint16 bytes",
      run: () => correctFrame(raw, { subtract: dark, multiply: flat, width }, height, out),
      limit: ["calibrate", 20],
      peer: "calibrate-numpy",
      goal: [1.15, 5],
    },
    {
      name: "Lanczos-3 warp",
      run: () =>
        warpPlane(
          image,
          width,
          height,
          turned,
          { width, height, originX: 0, originY: 0, scale: 1 },
          "lanczos3",
          100,
          out,
        ),
      limit: ["warp", 20],
      peer: "warp-cv2lanczos 2",
      goal: [2.2, 1.5],
    },
    {
      name: "starlet, 6 scales",
      run: () => {
        for (let j = 0, from = image; j < 6; j++) {
          from = starletScale(from, width, height, 2 ** j, j % 2 ? spare : out, details[j]).smooth;
        }
      },
      limit: ["starlet", 20],
      peer: "starlet-cv2 2",
      goal: [1.6, 10],
    },
    {
      name: "surface, degree 4, subtracted",
      run: () => applySurface(image, width, height, surface, "subtract", out),
      limit: ["poly", 20],
      peer: "poly",
      goal: [1.3, 40],
    },
    { name: "Gaussian blur, sigma 3", run: () => blurPlane(image, width, height, taps, out) },
    { name: "highest in a disc of radius 5", run: () => extremumPlane(image, width, height, 5, "highest", out) },
    {
      name: "surface, 16 × 12 nodes, subtracted",
      run: () => applySurface(image, width, height, grid, "subtract", out),
    },
  ];
  if (data !== null) {
    const files = Array.from(
      { length: 20 },
      (_, k) => join(data, `stack-${letter}`, `${String(k).padStart(4, "0")}.f32`),
    );
    const judged = (kind: KernelKind) => {
      const jobs = [0, 1, 2, 3, 4, 5].map((k) => ({
        files,
        width,
        from: Math.floor(height * k / 6),
        to: Math.floor(height * (k + 1) / 6),
        noise: 25,
        sky: 1000,
        out: pack(out),
        kind,
      }));
      parallelMap(clipTask, jobs);
    };
    // Huber's centre with a moderated scale, verdicts, weighted mean, halves, variance and counts; in C the mean alone.
    list.push(
      { name: "stack of 20 files, C clips about the mean", run: judged, limit: ["clip", 20], goal: [1.3, 25] },
      { name: "stack of 20 files, C clips about the median", run: judged, limit: ["clipmedian", 20], goal: [1.8, 12] },
    );
  } else {
    const frames = 20;
    const count = 200_000;
    const stride = count + 16;
    const plane = groupedPixels(count);
    const strip = borrowPlane(frames * stride);
    for (let i = 0; i < strip.length; i++) strip[i] = image[(i * 31) % image.length];
    const one = { samples: strip, frames, stride, count };
    const ratios = new Float32Array(frames).fill(1);
    const base = borrowPlane(plane).fill(625);
    const level = borrowPlane(plane).fill(1000);
    const none = borrowPlane(plane).fill(0);
    const data = borrowPlane(3 * plane);
    const marks = borrowPlane(frames * stride / 4);
    const verdicts = new Uint8Array(marks.buffer, 0, frames * stride);
    const weights = new Float64Array(frames).fill(1);
    const memory = { values: borrowPlane(5 * plane), counts: borrowPlane(3 * plane) };
    const noise = { base, level, perUnit: 0, prior: priorFreedom, ratios };
    const limits = moderatedLimits(frames, 0.001);
    const centres = moderatedCentres(one, noise, limits, data);
    list.push(
      { name: "centres of 20 × 0.2 Mpixel, one thread", run: () => moderatedCentres(one, noise, limits, data) },
      { name: "verdicts, likewise", run: () => moderatedVerdicts(one, centres, none, ratios, verdicts) },
      { name: "sums, likewise", run: () => sumKept(one, verdicts, weights, memory) },
    );
  }
  return list.filter(({ name }) => name.includes(options.only));
}

const clock = (work: () => void): number => {
  const start = performance.now();
  work();
  return (performance.now() - start) / 1000;
};
const seconds = (value: number | undefined) =>
  value === undefined ? "" : value < 0.0995 ? value.toFixed(4) : value.toFixed(3);
const ratio = (a: number | undefined, b: number | undefined) =>
  a === undefined || b === undefined ? "" : (a / b).toFixed(2);

/** Last JSON line that a program printed. */
function reported(command: string, args: readonly string[]): number | undefined {
  const { stdout } = spawnSync(command, [...args], { encoding: "utf8", maxBuffer: 2 ** 26 });
  const line = (stdout ?? "").split("\n").filter((each) => each.startsWith("{")).at(-1);
  return line === undefined ? undefined : (JSON.parse(line) as { readonly seconds: number }).seconds;
}

/** The C programs, compiled; null when that cannot be done. */
function compileLimit(peers: string, work: string): string | null {
  const source = join(peers, "limit.c");
  const target = join(work, "limit");
  if (!existsSync(source)) return null;
  // The two tasks that need FFTW and libdeflate are not asked for: declarations are enough where the libraries are
  // missing.
  const stubs = join(work, "stubs");
  mkdirSync(stubs, { recursive: true });
  writeFileSync(
    join(stubs, "fftw3.h"),
    "typedef float fftwf_complex[2]; typedef void *fftwf_plan; enum { FFTW_MEASURE, FFTW_ESTIMATE };\n" +
      "int fftwf_init_threads(void); void fftwf_plan_with_nthreads(int); void *fftwf_malloc(unsigned long);\n" +
      "fftwf_plan fftwf_plan_dft_r2c_2d(int, int, float *, fftwf_complex *, unsigned);\n" +
      "fftwf_plan fftwf_plan_dft_c2r_2d(int, int, fftwf_complex *, float *, unsigned); void fftwf_execute(fftwf_plan);\n",
  );
  writeFileSync(
    join(stubs, "libdeflate.h"),
    "#include <stddef.h>\nstruct libdeflate_compressor; struct libdeflate_compressor *libdeflate_alloc_compressor(int);\n" +
      "size_t libdeflate_deflate_compress_bound(struct libdeflate_compressor *, size_t);\n" +
      "size_t libdeflate_deflate_compress(struct libdeflate_compressor *, const void *, size_t, void *, size_t);\n" +
      "void libdeflate_free_compressor(struct libdeflate_compressor *);\n",
  );
  const names =
    "fftwf_init_threads fftwf_plan_with_nthreads fftwf_malloc fftwf_plan_dft_r2c_2d fftwf_plan_dft_c2r_2d " +
    "fftwf_execute libdeflate_alloc_compressor libdeflate_deflate_compress_bound libdeflate_deflate_compress " +
    "libdeflate_free_compressor";
  const bodies = join(stubs, "bodies.c");
  writeFileSync(bodies, names.split(" ").map((name) => `void *${name}(void) { return 0; }\n`).join(""));
  const flags = ["-O3", "-march=native", "-ffast-math", "-pthread", "-idirafter", stubs];
  const made = spawnSync("gcc", [...flags, source, bodies, "-o", target, "-lm"], {
    encoding: "utf8",
  });
  return made.status === 0 ? target : null;
}

function compare(peers: string): void {
  const work = options.data ?? join(tmpdir(), "faintlight-bench");
  const python = process.env.PEER_PYTHON ?? "python3";
  mkdirSync(work, { recursive: true });
  const limit = compileLimit(peers, work);
  if (limit === null) console.log(`No C limit: ${join(peers, "limit.c")} is missing or gcc cannot compile it.`);
  const havePython = existsSync(join(peers, "peers.py")) &&
    spawnSync(python, ["-c", "import numpy, astropy"]).status === 0;
  if (!havePython) {
    console.log(`No Python peers: peers.py is missing, or ${python} lacks numpy and astropy (set PEER_PYTHON).`);
  }
  if (!existsSync(join(work, "stack-L", "0019.f32"))) {
    if (!havePython) {
      console.log("Without them the common arrays cannot be made either; run deno task bench without --peers.");
      return;
    }
    console.log("Making the arrays …");
    spawnSync(python, [join(peers, "gen.py"), work, "20", "20"], { stdio: "inherit" });
  }
  const list = tasks(stored(work), work);
  const best = new Map<string, number>();
  const keep = (key: string, value: number | undefined) => {
    if (value !== undefined) best.set(key, Math.min(value, best.get(key) ?? Infinity));
  };
  setKernelKind("wasm");
  setWorkerCount(2);
  for (let round = 0; round < rounds; round++) {
    for (const task of list) {
      if (round === 0) task.run("wasm");
      // As often in a row as the C program, which finds its arrays in the cache where they fit.
      const times = task.name.includes("files") ? 2 : 5;
      for (let k = 0; k < times; k++) keep(`${task.name} ours`, clock(() => task.run("wasm")));
      if (limit !== null && task.limit) {
        keep(`${task.name} c`, reported(limit, [work, task.limit[0], "L", "2", String(task.limit[1])]));
      }
      if (havePython && task.peer && round === 0) {
        const [name, ...rest] = task.peer.split(" ");
        keep(`${task.name} peer`, reported(python, [join(peers, "peers.py"), work, name, "L", ...rest]));
      }
    }
  }
  console.log(
    "| task, 26 Mpixel, two workers | ours, s | C, two threads, s | Python, s | ours / C | goal | Python / ours | goal |",
  );
  console.log("|---|---|---|---|---|---|---|---|");
  for (const { name, goal } of list) {
    const [a, c, p] = ["ours", "c", "peer"].map((key) => best.get(`${name} ${key}`));
    console.log(
      `| ${name} | ${seconds(a)} | ${seconds(c)} | ${seconds(p)} | ${ratio(a, c)} | ${goal ? `≤ ${goal[0]}` : ""} | ${
        ratio(p, a)
      } | ${goal ? `≥ ${goal[1]}` : ""} |`,
    );
  }
}

if (options.peers !== undefined) compare(options.peers);
else {
  console.log(`${width} × ${height}, best of ${rounds} rounds\n`);
  console.log(
    "| kernel | wasm, s | twin, s | twin / wasm | wasm on 2 workers, s | gain of workers |\n|---|---|---|---|---|---|",
  );
  for (const task of tasks(invented(), null)) {
    const best = { wasm: Infinity, twin: Infinity, two: Infinity };
    const measure = (key: keyof typeof best, kind: KernelKind, workers: number, times: number) => {
      setWorkerCount(workers);
      setKernelKind(kind);
      for (let k = 0; k < times; k++) best[key] = Math.min(best[key], clock(() => task.run(kind)));
    };
    for (let round = 0; round < rounds; round++) {
      measure("wasm", "wasm", 0, 3);
      if (round === 0 || count < 5e6) measure("twin", "twin", 0, 1);
      measure("two", "wasm", 2, 4);
    }
    const { wasm, twin, two } = best;
    console.log(
      `| ${task.name} | ${seconds(wasm)} | ${seconds(twin)} | ${ratio(twin, wasm)} | ${seconds(two)} | ${
        ratio(wasm, two)
      } |`,
    );
  }
}
closePool();
