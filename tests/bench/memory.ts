/**
 * Time and peak memory of a recipe of six steps at 26 Mpixel under three ways to get memory. Each way runs in a
 * process of its own, four times over, as frames of a night would: `deno run -A tests/bench/memory.ts`.
 *
 *   shared   a new SharedArrayBuffer a plane
 *   own      a new plane on a WebAssembly memory of its own, collected by count (lib/core/memory.ts)
 *   recycled the same, but intermediate planes given back
 */
import { execFileSync } from "node:child_process";
import process from "node:process";
import "../../lib/host/deno.ts";
import { allocatePlane } from "../../lib/core/image.ts";
import { borrowPlane, returnPlane } from "../../lib/core/memory.ts";
import { correctFrame } from "../../lib/kernels/correct.ts";
import { applySurface } from "../../lib/kernels/surface.ts";
import { setWorkerCount } from "../../lib/parallel/pool.ts";
import { starletScale } from "../../lib/kernels/starlet.ts";
import { warpPlane } from "../../lib/kernels/warp_plane.ts";

const width = 6144;
const height = 4096;
const count = width * height;
const passes = 4;

function recipe(way: string): void {
  const make = (): Float32Array => {
    if (way === "shared") return new Float32Array(new SharedArrayBuffer(4 * count));
    return way === "own" ? allocatePlane(width, height) : borrowPlane(count);
  };
  const drop = (...planes: Float32Array[]) => way === "recycled" && planes.forEach(returnPlane);
  const dark = make().fill(200);
  const flat = make().fill(1);
  const raw = make().fill(1200);
  const surface = { terms: [1, 2, 3], centreX: 0, centreY: 0, radius: width };
  const shift = { kind: "similarity" as const, matrix: [1, 0, 0.3, 0, 1, 0.2, 0, 0, 1] as const };
  const grid = { width, height, originX: 0, originY: 0, scale: 1 };
  const times: number[] = [];
  let peak = 0;
  for (let pass = 0; pass < passes; pass++) {
    const start = performance.now();
    const a = make();
    correctFrame(raw, { subtract: dark, multiply: flat, width }, height, a);
    const b = warpPlane(a, width, height, shift, grid, "lanczos3", Infinity, make());
    drop(a);
    const c = applySurface(b, width, height, surface, "subtract", make());
    drop(b);
    const first = starletScale(c, width, height, 1, make(), make());
    drop(c);
    const second = starletScale(first.smooth, width, height, 2, make(), make());
    drop(first.smooth, first.detail);
    const e = applySurface(second.smooth, width, height, surface, "add", make());
    drop(second.smooth, second.detail, e);
    times.push(performance.now() - start);
    peak = Math.max(peak, process.memoryUsage().rss);
  }
  const rest = times.slice(1).sort((p, q) => p - q);
  console.log(
    `| ${way} | ${(times[0] / 1000).toFixed(2)} | ${(rest[rest.length >> 1] / 1000).toFixed(2)} | ${
      (peak / 2 ** 30).toFixed(2)
    } |`,
  );
}

const way = process.argv[2];
if (way !== undefined) {
  setWorkerCount(2);
  recipe(way);
} else {
  console.log("| way | first pass, s | median of the others, s | peak, GiB |\n|---|---|---|---|");
  for (const each of ["shared", "own", "recycled"]) {
    const file = new URL(import.meta.url).pathname;
    process.stdout.write(execFileSync("deno", ["run", "-A", file, each], { encoding: "utf8" }));
  }
}
