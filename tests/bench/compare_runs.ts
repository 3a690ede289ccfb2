/**
 * Whether two output folders of a run hold the same numbers: decoded samples of every FITS file and picture, and every column of
 * the tables that is a number. Names of steps may differ; results are paired by the number in front.
 *
 *     deno run -A tests/bench/compare_runs.ts output/long other/long
 */
import { createHash } from "node:crypto";
import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import process from "node:process";
import "../../lib/host/deno.ts";
import { decodePng } from "../../lib/io/decode_png.ts";
import { openFits } from "../../lib/io/open_fits.ts";
import { readFits } from "../../lib/io/read_fits.ts";
import { parseCsv } from "../../lib/pipeline/csv.ts";

const [first, second] = process.argv.slice(2);
if (first === undefined || second === undefined) {
  console.error("compare_runs: name two output folders");
  process.exit(2);
}

const digest = (bytes: Uint8Array): string => createHash("sha256").update(bytes).digest("hex");

/** Digest of the samples of every image of a FITS file. */
function fitsDigest(path: string): string {
  const file = openFits(path);
  const hash = createHash("sha256");
  try {
    for (const { index, kind } of file.hdus) {
      if (kind !== "image") continue;
      for (const { data } of readFits(path, { hdu: index }).planes) {
        hash.update(new Uint8Array(data.buffer, data.byteOffset, data.byteLength));
      }
    }
  } finally {
    file.close();
  }
  return hash.digest("hex");
}

function pngDigest(path: string): string {
  const { samples } = decodePng(readFileSync(path));
  return digest(new Uint8Array(samples.buffer, samples.byteOffset, samples.byteLength));
}

/** Files of a folder by a name that outlives a renamed step: `steps/07-calm-Ha.fits` is found as its number, channel and part. */
function filesOf(folder: string, part: string, ending: string): string[] {
  try {
    return readdirSync(join(folder, part)).filter((name) => name.endsWith(ending)).sort().map((name) =>
      join(part, name)
    );
  } catch {
    return [];
  }
}

let same = 0;
const differences: string[] = [];
function compare(what: string, a: string, b: string): void {
  if (a === b) same++;
  else differences.push(what);
}

for (const part of ["masters", "stacks", "steps"]) {
  const [ours, theirs] = [filesOf(first, part, ".fits"), filesOf(second, part, ".fits")];
  compare(`${part}: number of files`, String(ours.length), String(theirs.length));
  ours.forEach((name, at) => {
    if (theirs[at] === undefined) return;
    compare(`${name} and ${theirs[at]}`, fitsDigest(join(first, name)), fitsDigest(join(second, theirs[at])));
  });
}
compare("picture.png", pngDigest(join(first, "picture.png")), pngDigest(join(second, "picture.png")));
for (const table of ["frames.csv", "calibration.csv", "registration.csv"]) {
  const [ours, theirs] = [first, second].map((folder) => parseCsv(readFileSync(join(folder, table), "utf8")));
  compare(`${table}: number of rows`, String(ours.length), String(theirs.length));
  ours.forEach((row, at) => {
    for (const [column, cell] of Object.entries(row)) {
      if (cell !== "" && Number.isFinite(Number(cell))) {
        compare(`${table}: ${column} of ${row.file}`, cell, theirs[at]?.[column] ?? "");
      }
      if (column === "verdict" || column === "cause") {
        compare(`${table}: ${column} of ${row.file}`, cell, theirs[at]?.[column] ?? "");
      }
    }
  });
}
for (const each of differences) console.log(`different: ${each}`);
console.log(`${same} the same, ${differences.length} different`);
process.exitCode = differences.length > 0 ? 1 : 0;
