/**
 * Ten thousand damaged and hostile files, read as the library reads them: each must give an error that names the file,
 * or what a general-purpose reader finds in it (astropy for FITS, OpenCV for PNG), within a second and 500 MB.
 * `deno run -A tests/bench/mutants.ts [--count N] [--first SEED] [--python PATH] [--folder DIR]`; the Python needs
 * numpy, astropy and opencv-python-headless.
 */
import { execFileSync } from "node:child_process";
import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import "../../lib/host/deno.ts";
import { plainText } from "../../lib/core/plain_text.ts";
import { mutant, type MutantKind, mutantKinds, mutantName, readMutant } from "../support/mutants.ts";

const { values } = parseArgs({
  options: {
    count: { type: "string", default: "10000" },
    first: { type: "string", default: "0" },
    python: { type: "string", default: "python3" },
    folder: { type: "string" },
  },
});

/** Shares of the kinds: FITS has most ways to be wrong. */
const shares: Readonly<Record<MutantKind, number>> = { fits: 0.5, png: 0.2, recipe: 0.2, decisions: 0.1 };

/** Highest memory of the process so far, MB (Linux). */
const peakMegabytes = (): number =>
  Number(/VmHWM:\s+(\d+)/.exec(readFileSync("/proc/self/status", "utf8"))?.[1]) / 1024;

const folder = values.folder ?? mkdtempSync(join(tmpdir(), "faintlight-mutants-"));
mkdirSync(folder, { recursive: true });
const outcomes: object[] = [];
for (const kind of mutantKinds) {
  let [read, refused, unnamed, slowest] = [0, 0, 0, 0];
  const first = Number(values.first);
  for (let seed = first; seed < first + Number(values.count) * shares[kind]; seed++) {
    const name = mutantName(kind, seed);
    const path = join(folder, name);
    writeFileSync(path, mutant(kind, seed));
    const began = performance.now();
    const { refusal, shape, planes } = readMutant(kind, path);
    const seconds = (performance.now() - began) / 1000;
    if (seconds > slowest) slowest = seconds;
    if (seconds > 1) console.log(`${name}: took ${seconds.toFixed(2)} s`);
    if (refusal === null) read++;
    else refused++;
    if (refusal !== null && !refusal.message.includes(path)) {
      unnamed++;
      console.log(`${name}: ${refusal.name}: ${plainText(refusal.message.slice(0, 160))}`);
    }
    outcomes.push({ name, kind, shape: refusal === null ? shape : null });
    planes.forEach((data, at) => writeFileSync(`${path}.${at}.f32`, new Uint8Array(Float32Array.from(data).buffer)));
  }
  console.log(
    `${kind}: ${read} read, ${refused} refused, ${unnamed} without the file's name; slowest ${
      slowest.toFixed(3)
    } s; peak of the process ${peakMegabytes().toFixed(0)} MB`,
  );
}
writeFileSync(join(folder, "outcomes.json"), JSON.stringify(outcomes));
const peers = fileURLToPath(new URL("./mutants_peers.py", import.meta.url));
console.log(execFileSync(values.python, [peers, folder], { encoding: "utf8", maxBuffer: 2 ** 28 }));
if (values.folder === undefined) rmSync(folder, { recursive: true });
