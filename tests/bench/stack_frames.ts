/**
 * Time and peak memory of an integration from raw files: `deno run -A tests/bench/stack_frames.ts [--frames 12] [--size
 * 26|2] [--colour] [--folder DIR] [--keep]`. Frames of white noise with stars and satellites are written once and stay
 * when --keep is given. Each frame is calibrated on the fly, shifted by a few pixels, judged and summed, as in a
 * night's run.
 */
import { existsSync, mkdirSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import process from "node:process";
import { parseArgs } from "node:util";
import "../../lib/host/deno.ts";
import { createImage } from "../../lib/doors/extend.ts";
import { applyTransform, invertTransform, referenceCanvas } from "../../lib/doors/geometry.ts";
import { setWorkerCount } from "../../lib/doors/parallel.ts";
import { prepareCorrection } from "../../lib/doors/parts.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { stackFrames, writeFits } from "../../lib/mod.ts";
import { plainGeometry } from "../../lib/core/geometry.ts";
import { allocatePlane } from "../../lib/core/image.ts";
import { borrowPlane, returnPlane } from "../../lib/core/memory.ts";

const { values: options } = parseArgs({
  options: {
    frames: { type: "string", default: "12" },
    size: { type: "string", default: "26" },
    colour: { type: "boolean", default: false },
    folder: { type: "string", default: join(tmpdir(), "faintlight-integrate") },
    keep: { type: "boolean", default: false },
    workers: { type: "string", default: "2" },
  },
});
const large = options.size === "26";
const frames = Number(options.frames);
const width = large ? 6144 : 1920;
const height = large ? 4096 : 1080;
const size = width * height;
const bayer = options.colour ? "RGGB" as const : null;
const folder = join(options.folder, `${large ? "L" : "S"}${options.colour ? "-colour" : ""}`);
setWorkerCount(Number(options.workers));
mkdirSync(folder, { recursive: true });

const random = randomStream("integrate bench");
const noise = Float32Array.from({ length: 65_537 }, () => random.gaussian());
const transformOf = (k: number) => ({
  kind: "similarity" as const,
  matrix: [1, 0.0003 * k, 1.37 * k, -0.0003 * k, 1, -0.71 * k, 0, 0, 1] as const,
});
const path = (k: number) => join(folder, `light_${String(k).padStart(4, "0")}.fits`);
for (let k = 0; k < frames; k++) {
  if (existsSync(path(k))) continue;
  const data = borrowPlane(size);
  const start = Math.floor(65_537 * random.uniform());
  for (let i = 0; i < size; i++) data[i] = Math.round(1200 + 12 * noise[(start + i * 7 + (i >> 16)) % 65_537]);
  // Stars of the reference, where the frame saw them.
  const inverse = invertTransform(transformOf(k));
  for (let s = 0; s < 3000; s++) {
    const star = applyTransform(inverse, (s * 104_729) % width, (s * 7919) % height);
    const x0 = Math.round(star.x);
    const y0 = Math.round(star.y);
    if (x0 < 8 || y0 < 8 || x0 >= width - 8 || y0 >= height - 8) continue;
    for (let y = y0 - 6; y <= y0 + 6; y++) {
      for (let x = x0 - 6; x <= x0 + 6; x++) {
        const light = 20_000 / Math.sqrt(1 + s) * Math.exp(-((x - star.x) ** 2 + (y - star.y) ** 2) / 4.5);
        data[y * width + x] += Math.round(light + Math.sqrt(light) * noise[(x * 31 + y * 17 + k * 1009) % 65_537]);
      }
    }
  }
  const slope = random.uniform() - 0.5;
  const at = height * random.uniform();
  for (let x = 0; x < width; x++) {
    const y = Math.round(at + slope * x);
    if (k % 3 === 0 && y >= 0 && y < height) data[y * width + x] += 300;
  }
  for (let i = 0; i < size; i++) data[i] = Math.min(65_535, data[i]);
  const image = createImage({
    width,
    height,
    unit: "adu",
    planes: [{ channel: "L", data }],
    geometry: { ...plainGeometry, bayer },
  });
  writeFits(path(k), image, { bitpix: 16 });
  returnPlane(data);
}
const flatLight = (level: number) =>
  createImage({
    width,
    height,
    unit: "adu",
    planes: [{ channel: "L", data: allocatePlane(width, height).fill(level) }],
    geometry: { ...plainGeometry, bayer },
  });
const model = flatLight(1000);
const correction = prepareCorrection(model, { dark: flatLight(200), flat: flatLight(30_000) }, {});
const before = process.resourceUsage().maxRSS;
const start = performance.now();
const cpu = process.cpuUsage();
const { report } = stackFrames(
  Array.from({ length: frames }, (_, k) => ({
    source: path(k),
    correction,
    transform: transformOf(k),
  })),
  referenceCanvas(model),
);
const used = process.cpuUsage(cpu);
console.log(
  `${frames} frames of ${(size / 1e6).toFixed(1)} Mpixel${options.colour ? ", colour" : ""}: ` +
    `${((performance.now() - start) / 1000).toFixed(2)} s, CPU ${((used.user + used.system) / 1e6).toFixed(2)} s, ` +
    `peak RSS ${(process.resourceUsage().maxRSS / 2 ** 20).toFixed(2)} GiB (${
      (before / 2 ** 20).toFixed(2)
    } before), ` +
    `${report.tiles} tiles, left out ${(1e6 * report.brighterShare).toFixed(0)} ppm above`,
);
if (!options.keep) rmSync(folder, { recursive: true });
