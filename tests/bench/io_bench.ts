/**
 * How fast frames are read and written, in MB of stored (uncompressed) samples a second: `deno run -A
 * tests/bench/io_bench.ts`. One frame of 26 megapixels; best of several rounds, files in the system's cache.
 */
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import process from "node:process";
import "../../lib/host/deno.ts";
import { createImage } from "../../lib/doors/extend.ts";
import { openFits, readFitsHeader } from "../../lib/doors/io.ts";
import { randomStream } from "../../lib/doors/stats.ts";
import { readFits, writeFits } from "../../lib/mod.ts";

const width = Number(process.argv[2] ?? 6144);
const height = Number(process.argv[3] ?? 4096);
const folder = mkdtempSync(join(tmpdir(), "faintlight-bench-"));
const random = randomStream(1);
const data = new Float32Array(new SharedArrayBuffer(width * height * 4));
// noise of 12 ADU on a sky of 1200: what a broadband sub looks like to an encoder
const noise = Float32Array.from({ length: 65536 }, () => 1200 + 12 * random.gaussian());
for (let i = 0; i < data.length; i++) data[i] = Math.round(noise[(i * 7919 + (i >> 16) * 104729) & 65535]);
const image = createImage({ width, height, unit: "adu", planes: [{ channel: "L", data }] });

function cpu(): number {
  const { user, system } = process.cpuUsage();
  return (user + system) / 1000;
}

function best(label: string, bytes: number, work: () => void, rounds = 5): void {
  let wall = Infinity;
  let busy = Infinity;
  for (let round = 0; round < rounds; round++) {
    const start = performance.now();
    const before = cpu();
    work();
    wall = Math.min(wall, performance.now() - start);
    busy = Math.min(busy, cpu() - before);
  }
  const rate = (bytes / wall / 1000).toFixed(0).padStart(6);
  console.log(
    `${label.padEnd(48)} ${wall.toFixed(1).padStart(8)} ms (CPU ${busy.toFixed(1).padStart(7)} ms) ${rate} MB/s`,
  );
}

const samples = width * height;
const path = (name: string) => join(folder, name);
try {
  best("write uint16", samples * 2, () => writeFits(path("u16.fits"), image, { bitpix: 16 }), 3);
  best(
    "write uint16 RICE_1",
    samples * 2,
    () => writeFits(path("rice.fits"), image, { bitpix: 16, compress: "RICE_1" }),
    3,
  );
  best("write float32", samples * 4, () => writeFits(path("f32.fits"), image), 3);
  best("write float32 GZIP_2", samples * 4, () => writeFits(path("gz2.fits"), image, { compress: "GZIP_2" }), 1);
  best("read uint16", samples * 2, () => readFits(path("u16.fits")));
  best("read uint16, sums not compared", samples * 2, () => readFits(path("u16.fits"), { checksum: "ignore" }));
  best("read uint16 RICE_1", samples * 2, () => readFits(path("rice.fits")));
  best("read float32", samples * 4, () => readFits(path("f32.fits")));
  best("read float32 GZIP_2", samples * 4, () => readFits(path("gz2.fits")), 2);
  best("header alone", 5760, () => readFitsHeader(path("u16.fits")), 50);
  const into = new Float32Array(new SharedArrayBuffer(samples * 4));
  for (const name of ["u16", "rice", "f32"]) {
    const file = openFits(path(`${name}.fits`));
    const hdu = file.firstImage().index;
    const bytes = name === "f32" ? 4 : 2;
    best(`whole frame into a given plane, ${name}`, samples * bytes, () => {
      file.readRegion(hdu, { x: 0, y: 0, width, height }, 0, into);
    });
    best(`band of 64 rows, ${name}`, width * 64 * bytes, () => {
      file.readRegion(hdu, { x: 0, y: 2000 % height, width, height: 64 }, 0, into);
    }, 20);
    best(`tile of 512 × 512, ${name}`, 512 * 512 * bytes, () => {
      file.readRegion(hdu, { x: 1000 % width, y: 1000 % height, width: 512, height: 512 }, 0, into);
    }, 20);
    file.close();
  }
} finally {
  rmSync(folder, { recursive: true });
}
