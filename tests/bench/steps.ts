/**
 * Times the steps of background, detail, tone, colour and effect on 2 Mpixel × 3 planes:
 *
 *     deno run -A tests/bench/steps.ts [--rounds 3] [--size 2] [--workers 2] [--only name] [--peers]
 *
 * With `--peers` scikit-image, scipy and OpenCV do the same operation in the same run (steps_peers.py; set PEER_PYTHON
 * to a Python that has them). CPU time is that of all threads of this process, best of the rounds; on a machine that
 * others use it says more than wall time.
 */
import { spawnSync } from "node:child_process";
import { mkdirSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import process from "node:process";
import { parseArgs } from "node:util";
import "../../lib/host/deno.ts";
import { allocatePlane, derive } from "../../lib/doors/extend.ts";
import { closePool, setWorkerCount } from "../../lib/doors/parallel.ts";
import {
  applyCurve,
  automaticStretch,
  balanceStars,
  blendLines,
  deconvolve,
  divideSurface,
  enhanceDetail,
  equaliseAdaptiveHistogram,
  equaliseChannels,
  extractGradient,
  fitSurface,
  fromOklab,
  type Image,
  limitGreen,
  mapChannels,
  mapLineRatio,
  maskStars,
  matchHistogram,
  measureEffect,
  neutraliseSky,
  normaliseLocal,
  placeStarColours,
  recombineStars,
  reduceNoise,
  reduceStars,
  replaceLuminance,
  sampleBackground,
  saturate,
  separateStars,
  stretchAsinh,
  stretchLog,
  stretchPower,
  stretchRational,
  stretchSigmoid,
  subtractContinuum,
  subtractSurface,
  toOklab,
  undoStretch,
  validateHalves,
} from "../../lib/mod.ts";
import { returnPlane } from "../../lib/core/memory.ts";
import { dilate, erode, open } from "../../lib/filters/morphology.ts";
import { pointSpread, restorePlane } from "../../lib/detail/richardson_lucy.ts";
import { gaussianSmooth } from "../../lib/filters/gaussian.ts";
import { makeScene } from "../support/scenes_processing.ts";

const { values: options } = parseArgs({
  options: {
    rounds: { type: "string", default: "3" },
    size: { type: "string", default: "2" },
    workers: { type: "string", default: "2" },
    only: { type: "string", default: "" },
    peers: { type: "boolean", default: false },
  },
});
const scale = Math.sqrt(Number(options.size) / 2.0736);
const width = Math.round(1920 * scale);
const height = Math.round(1080 * scale);
const rounds = Number(options.rounds);
setWorkerCount(Number(options.workers));

const made = makeScene({
  width,
  height,
  seed: 5,
  channels: ["R", "G", "B"],
  nebula: [500, 200, 300],
  nebulaRadius: 0.3,
  stars: Math.round(1500 * scale * scale),
  gradient: 60,
  gradientKind: "quadratic",
  brightest: 4000,
});
const image = made.image;
/** On shared memory, as every step returns it. */
const shared = derive(image, {
  planes: image.planes.map(({ channel, data }) => {
    const out = allocatePlane(width, height);
    out.set(data);
    return { channel, data: out };
  }),
}, { step: "scene", options: {} });
const named = (channels: readonly string[], from: Image = shared): Image =>
  derive(from, {
    planes: channels.map((channel, c) => ({ channel, data: from.planes[c % from.planes.length].data })),
  }, {
    step: "name",
    options: {},
  });
const mono = derive(shared, { planes: [{ channel: "L", data: shared.planes[0].data }] }, {
  step: "one",
  options: {},
});
const stretch = automaticStretch(shared);
const { black, white, colour, greyBelow, colourAbove, curve: { bend } } = stretch;
const settings = { black, white, colour, greyBelow, colourAbove, bend };
const picture = stretchAsinh(shared, settings);
const lines = named(["Ha", "OIII", "SII"]);
const grey = derive(picture, { planes: [{ channel: "L", data: picture.planes[1].data }] }, {
  step: "one",
  options: {},
});
const parted = separateStars(shared);
const surface = fitSurface(sampleBackground(shared));
const drawnStars = stretchAsinh(parted.stars, settings);
const oklab = toOklab(picture);
const other = derive(shared, {
  planes: shared.planes.map(({ channel, data }) => ({ channel, data: data.map((v, i) => 1.1 * v + (i % width) / 40) })),
}, { step: "other", options: {} });
/** Channels changed about, and one by one. */
const turned = derive(picture, {
  planes: picture.planes.map(({ channel }, c) => ({ channel, data: picture.planes[(c + 1) % 3].data })),
}, { step: "turn", options: {} });
const single = (c: number): Image =>
  derive(picture, { planes: [{ channel: "L", data: picture.planes[c].data }] }, { step: "one", options: {} });

interface Timed {
  readonly name: string;
  readonly run: () => unknown;
  /** What steps_peers.py calls the same operation. */
  readonly peer?: string;
}
/**
 * On three planes; what comes out is given back, as the library does with its own intermediates and numpy with its
 * arrays.
 */
const three = (run: (data: Float32Array) => Float32Array) => () =>
  shared.planes.forEach(({ data }) => returnPlane(run(data)));
/** A star of 3 pixels, as far as ten. */
const spread = pointSpread(10, (x, y) => x * x + y * y > 100 ? 0 : Math.exp(-(x * x + y * y) * 4 * Math.LN2 / 9));
const list: Timed[] = [
  { name: "sampleBackground", run: () => sampleBackground(shared) },
  { name: "extractGradient", run: () => extractGradient(shared) },
  { name: "subtractSurface", run: () => subtractSurface(shared, surface) },
  { name: "divideSurface", run: () => divideSurface(shared, surface) },
  { name: "normaliseLocal", run: () => normaliseLocal(other, shared) },
  { name: "separateStars", run: () => separateStars(shared) },
  { name: "reduceStars profile", run: () => reduceStars(shared) },
  { name: "reduceStars morphology", run: () => reduceStars(shared, { method: "morphology" }) },
  { name: "recombineStars", run: () => recombineStars(parted.starless, parted.stars) },
  { name: "recombineStars screen", run: () => recombineStars(picture, drawnStars) },
  { name: "maskStars", run: () => maskStars(shared) },
  { name: "reduceNoise", run: () => reduceNoise(shared) },
  { name: "deconvolve", run: () => deconvolve(shared) },
  { name: "enhanceDetail", run: () => enhanceDetail(picture) },
  { name: "automaticStretch", run: () => automaticStretch(shared) },
  { name: "stretchAsinh", run: () => stretchAsinh(shared, settings) },
  { name: "stretchLog", run: () => stretchLog(shared, { black: 900, white: 20000 }) },
  { name: "stretchPower", run: () => stretchPower(shared, { black: 900, white: 20000 }) },
  { name: "stretchRational", run: () => stretchRational(shared, { black: 900, white: 20000 }) },
  { name: "stretchSigmoid", run: () => stretchSigmoid(shared, { black: 900, white: 20000 }) },
  {
    name: "undoStretch",
    run: () => undoStretch(picture, stretch),
  },
  { name: "applyCurve luminance", run: () => applyCurve(picture) },
  { name: "applyCurve channels", run: () => applyCurve(picture, undefined, { on: "channels" }) },
  { name: "applyCurve chroma", run: () => applyCurve(picture, undefined, { on: "chroma" }) },
  {
    name: "matchHistogram",
    run: () => matchHistogram(picture, turned),
    peer: "match",
  },
  {
    name: "equaliseAdaptiveHistogram, channels",
    run: () => picture.planes.forEach((_, c) => equaliseAdaptiveHistogram(single(c))),
    peer: "equalise",
  },
  { name: "equaliseAdaptiveHistogram", run: () => equaliseAdaptiveHistogram(picture) },
  { name: "placeStarColours", run: () => placeStarColours(picture, shared) },
  { name: "extractGradient, mesh", run: () => extractGradient(shared, { model: "mesh" }) },
  { name: "mapChannels", run: () => mapChannels(lines, { rules: "SHO" }) },
  {
    name: "mapChannels matrix",
    run: () =>
      mapChannels(lines, {
        rules: ["R", "G", "B"].map((output) => ({ output, from: { Ha: 0.4, OIII: 0.4, SII: 0.2 } })),
      }),
  },
  { name: "equaliseChannels", run: () => equaliseChannels(lines) },
  { name: "neutraliseSky", run: () => neutraliseSky(shared) },
  { name: "balanceStars", run: () => balanceStars(shared) },
  { name: "limitGreen", run: () => limitGreen(shared) },
  { name: "blendLines, two", run: () => blendLines(named(["Ha", "OIII"]), grey) },
  { name: "replaceLuminance", run: () => replaceLuminance(picture, grey) },
  { name: "saturate", run: () => saturate(picture) },
  { name: "toOklab", run: () => toOklab(picture) },
  { name: "fromOklab", run: () => fromOklab(oklab) },
  { name: "mapLineRatio", run: () => mapLineRatio(lines) },
  { name: "subtractContinuum", run: () => subtractContinuum(mono, mono) },
  { name: "measureEffect", run: () => measureEffect(shared, parted.starless) },
  { name: "validateHalves", run: () => validateHalves(mono, mono, (half) => half) },
  {
    name: "Gaussian, sigma 2, 3 planes",
    run: three((data) => gaussianSmooth(data, width, height, 2)),
    peer: "gaussian 2",
  },
  {
    name: "Gaussian, sigma 8, 3 planes",
    run: three((data) => gaussianSmooth(data, width, height, 8)),
    peer: "gaussian 8",
  },
  {
    name: "Richardson and Lucy, ten rounds, 3 planes",
    run: three((data) => restorePlane({ data, width, height }, spread, 10)),
    peer: "lucy",
  },
  { name: "erosion, radius 3, 3 planes", run: three((data) => erode(data, width, height, 3)), peer: "erosion 3" },
  { name: "dilation, radius 8, 3 planes", run: three((data) => dilate(data, width, height, 8)), peer: "dilation 8" },
  { name: "opening, radius 3, 3 planes", run: three((data) => open(data, width, height, 3)), peer: "opening 3" },
].filter(({ name }) => name.includes(options.only));

const cpuSeconds = () => {
  const { user, system } = process.cpuUsage();
  return (user + system) / 1e6;
};
interface Best {
  wall: number;
  cpu: number;
}
const best = new Map<string, Best>();
const peers = new Map<string, Map<string, number>>();
const folder = join(tmpdir(), "faintlight-bench-steps");
if (options.peers) {
  mkdirSync(folder, { recursive: true });
  shared.planes.forEach(({ data }, c) =>
    writeFileSync(join(folder, `plane-${c}.f32`), new Uint8Array(data.buffer, data.byteOffset, data.byteLength))
  );
}
for (let round = 0; round < rounds; round++) {
  for (const { name, run, peer } of list) {
    if (round === 0) run();
    const cpu = cpuSeconds();
    const wall = performance.now();
    run();
    const found = { wall: (performance.now() - wall) / 1000, cpu: cpuSeconds() - cpu };
    const so = best.get(name);
    best.set(
      name,
      so === undefined ? found : { wall: Math.min(so.wall, found.wall), cpu: Math.min(so.cpu, found.cpu) },
    );
    if (!options.peers || peer === undefined) continue;
    const python = process.env.PEER_PYTHON ?? "python3";
    const { stdout, stderr } = spawnSync(
      python,
      [
        new URL("./steps_peers.py", import.meta.url).pathname,
        folder,
        String(width),
        String(height),
        ...peer.split(" "),
      ],
      { encoding: "utf8" },
    );
    const line = stdout.trim().split("\n").at(-1) ?? "";
    if (!line.startsWith("{")) throw new Error(`${peer}: ${stderr}`);
    const of = peers.get(name) ?? new Map<string, number>();
    for (const [library, time] of Object.entries(JSON.parse(line) as Record<string, number>)) {
      of.set(library, Math.min(time, of.get(library) ?? Infinity));
    }
    peers.set(name, of);
  }
}
console.log(`${width} × ${height} × 3, ${options.workers} workers, best of ${rounds} rounds\n`);
console.log(`| step | wall, s | CPU, s |${options.peers ? " peers, CPU s (peer / ours) |" : ""}`);
console.log(`|---|---|---|${options.peers ? "---|" : ""}`);
for (const { name } of list) {
  const { wall, cpu } = best.get(name) as Best;
  const of = peers.get(name);
  const told = [...of ?? []].map(([library, time]) => `${library} ${time.toFixed(3)} (${(time / cpu).toFixed(2)})`);
  console.log(`| ${name} | ${wall.toFixed(3)} | ${cpu.toFixed(3)} |${options.peers ? ` ${told.join(", ")} |` : ""}`);
}
closePool();
